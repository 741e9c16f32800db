"""Progress on standard error."""
from __future__ import annotations

import sys
from contextlib import contextmanager

__all__ = ["progress_bar"]


@contextmanager
def progress_bar(quiet: bool):
    """Progress bar on standard error, only where someone looks at it."""
    if quiet or not sys.stderr.isatty():
        yield None
        return
    from tqdm import tqdm
    with tqdm(total=100, leave=False, bar_format="{desc} {percentage:3.0f}% |{bar}| {elapsed}") as bar:
        def tell(fraction: float, words: str) -> None:
            bar.set_description_str(words, refresh=False)
            bar.update(round(100 * fraction) - bar.n)
            bar.refresh()
        yield tell
