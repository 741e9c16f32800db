"""Kill a logbook writer 200 times in the middle of its work and count what was lost.

Run from the project's top level: python -m tests.benchmarks.kill_logbook [KILLS]
"""
from __future__ import annotations

import random
import sys
import tempfile
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent.parent), str(Path(__file__).parent.parent.parent)]

from killed_writer import check_all_kept, write_and_kill  # noqa: E402  the path above comes first


def main() -> None:
    """Kill, check after every kill, print the count."""
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    rng, start = random.Random(7), time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        path, confirmed = Path(folder) / "logbook.sqlite", {}
        for kill in range(kills):
            confirmed |= write_and_kill(path, f"writer {kill}", rng.uniform(0.0, 0.08))
            total = check_all_kept(path, confirmed)
    print(f"{kills} kills in {time.monotonic() - start:.0f} s: {len(confirmed)} entries confirmed, all kept "
          f"whole; {total - len(confirmed)} more were whole but unconfirmed; file sound after every kill")


if __name__ == "__main__":
    main()
