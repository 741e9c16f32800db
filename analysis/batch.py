"""A folder of pairs: one report each, one table for all.

Pairs are compared by as many processes as there are cores, each on one thread:
whole pairs side by side keep the cores busier than parts of one pair. What is
finished stays finished: a second run does only what is missing or has changed.
"""
from __future__ import annotations

import csv
import dataclasses
import io
import math
import multiprocessing
import os
import sys
import time
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path
from typing import Any

from analysis.errors import PhotoError
from analysis.outputs import write_whole
from analysis.pairs import COLUMNS, Pair, blank_row, find_pairs, report_row
from analysis.process import share_one_heap
from analysis.settings import Settings

__all__ = ["run_batch"]

TABLE = "pairs.csv"
TABLE_EVERY_S = 2.0            # the table is written again at most this often


def run_batch(folder: str, settings: Settings, *, machine_file: str | None = None, out: str | None = None,
              jobs: int | None = None, again: bool = False, quiet: bool = False) -> int:
    """Compare all pairs of a folder.

    Parameters
    ----------
    folder : str
    settings : Settings
        For every pair.
    machine_file : str, optional
    out : str, optional
        Folder for the reports and the table `pairs.csv`; default `reports` in `folder`.
    jobs : int, optional
        Pairs at once; default one for each core.
    again : bool
        Do finished pairs anew.
    quiet : bool
        No progress bar.

    Returns
    -------
    int
        Exit status: 0 where at least one report was made or stands, else 2.
    """
    pairs = find_pairs(folder)
    target = Path(out) if out else Path(folder) / "reports"
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise PhotoError(f"The folder {target} cannot be made. Name one with --out.") from problem
    if machine_file is not None:
        from analysis.machine import load_machine
        load_machine(machine_file)                     # refuse it now, once, and not for every pair
    rows = {pair.name: blank_row(pair) for pair in pairs}
    todo = []
    for pair in pairs:
        standing = None if again or pair.problem else _standing(pair, target, settings, machine_file)
        if standing is not None:
            rows[pair.name] = report_row(pair, standing)
        elif pair.problem is None:
            todo.append(pair)
    _work(todo, rows, target, settings, machine_file, jobs or os.cpu_count() or 1, quiet)
    bad = [row for row in rows.values() if row["problem"]]
    for row in bad:
        sys.stderr.write(" ".join(f"{row['pair']}: {row['problem']}".split()) + "\n")
    made = len(rows) - len(bad)
    print(f"{len(rows)} pairs: {made} with a report, {len(bad)} skipped. Table: {target / TABLE}")
    return 0 if made else 2


def _work(todo, rows, target, settings, machine_file, jobs, quiet) -> None:
    """Do the pairs, keep the table up to date, go on after a process that died."""
    written = 0.0
    with _bar(len(todo), quiet) as tick:
        try:
            for pair, row in _results(todo, target, settings, machine_file, jobs):
                rows[pair.name] = row
                tick()
                if time.monotonic() - written > TABLE_EVERY_S:
                    _write_table(target, rows)
                    written = time.monotonic()
        finally:
            _write_table(target, rows)


def _results(todo, target, settings, machine_file, jobs) -> Iterator[tuple[Pair, dict[str, Any]]]:
    """Rows as they are done. A pair that kills its process is tried once more, alone."""
    broken = []
    for pair, outcome in _pool(todo, target, settings, machine_file, min(jobs, max(1, len(todo)))):
        if outcome is None:
            broken.append(pair)
        else:
            yield pair, outcome
    for pair in broken:
        for _, outcome in _pool([pair], target, settings, machine_file, 1):
            yield pair, outcome or blank_row(pair) | {
                "status": "failed", "problem": "The process ran out of memory. Save the photos smaller."}


def _pool(todo, target, settings, machine_file, jobs) -> Iterator[tuple[Pair, dict[str, Any] | None]]:
    if not todo:
        return
    context = multiprocessing.get_context("spawn")     # fork and the libraries' threads do not go together
    pool = ProcessPoolExecutor(jobs, mp_context=context, initializer=_begin, initargs=(machine_file,))
    futures: dict[Future, Pair] = {}
    try:
        futures = {pool.submit(_one, pair, target, settings): pair for pair in todo}
        waiting = set(futures)
        while waiting:
            done, waiting = wait(waiting, return_when=FIRST_COMPLETED)
            for future in done:
                try:
                    yield futures[future], future.result()
                except BrokenProcessPool:
                    yield futures[future], None
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


_machine: Any = None           # of this process; read once


def _begin(machine_file: str | None) -> None:
    """Set up a process: one thread each, since the processes fill the cores."""
    global _machine
    share_one_heap()
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ[name] = "1"                         # before NumPy is loaded
    import cv2
    cv2.setNumThreads(1)
    if machine_file is not None:
        from analysis.machine import load_machine
        _machine = load_machine(machine_file)


def _one(pair: Pair, target: Path, settings: Settings) -> dict[str, Any]:
    """Compare one pair, write its report, and return its row."""
    from analysis.pipeline import compare
    from analysis.report import dumps, to_dict
    try:
        report = to_dict(compare(pair.before, pair.after, settings, machine=_machine))
        write_whole(target / f"{pair.name}.json", dumps(report).encode())
        return report_row(pair, report)
    except PhotoError as problem:
        return blank_row(pair) | {"status": "failed", "problem": str(problem)}
    except MemoryError:
        return blank_row(pair) | {"status": "failed", "problem": "Too little memory. Save them smaller."}
    except Exception as problem:                       # one pair must not stop the others; its row says so
        return blank_row(pair) | {"status": "failed",
                               "problem": f"The program failed ({type(problem).__name__}: {problem}). "
                                          "Please report this fault."}


def _standing(pair: Pair, target: Path, settings: Settings,
              machine_file: str | None) -> dict[str, Any] | None:
    """Report of an earlier run, where it still holds: same settings, newer than all that it was made from."""
    from analysis.report import load, program_version
    path = target / f"{pair.name}.json"
    try:
        made = path.stat().st_mtime
        sources = [pair.before, pair.after, *([machine_file] if machine_file else [])]
        if any(os.stat(source).st_mtime > made for source in sources):
            return None
        report = load(path.read_bytes())
    except (OSError, PhotoError):
        return None
    same = (report.get("version") == program_version() and "change" in report
            and _same(report.get("settings"), dataclasses.asdict(settings)))
    return report if same else None


def _same(a: Any, b: Any) -> bool:
    """Equal up to the rounding of the report, lists as tuples."""
    if isinstance(a, dict) and isinstance(b, dict):
        return a.keys() == b.keys() and all(_same(a[key], b[key]) for key in a)
    if isinstance(a, (list, tuple)) and isinstance(b, (list, tuple)):
        return len(a) == len(b) and all(_same(x, y) for x, y in zip(a, b, strict=True))
    if isinstance(a, (int, float)) and isinstance(b, (int, float)):
        return math.isclose(a, b, rel_tol=1e-8)
    return a == b


def _write_table(target: Path, rows: dict[str, dict[str, Any]]) -> None:
    text = io.StringIO()
    table = csv.DictWriter(text, COLUMNS, lineterminator="\n")
    table.writeheader()
    table.writerows(rows[name] for name in sorted(rows))
    write_whole(target / TABLE, text.getvalue().encode("utf-8-sig"))   # the mark tells spreadsheets: UTF-8


class _bar:
    """Progress bar on standard error, only where someone looks at it."""

    def __init__(self, total: int, quiet: bool) -> None:
        self.bar = None
        if total and not quiet and sys.stderr.isatty():
            from tqdm import tqdm
            self.bar = tqdm(total=total, unit="pair", leave=False)

    def __enter__(self):
        return self.bar.update if self.bar else (lambda: None)

    def __exit__(self, *_: object) -> None:
        if self.bar:
            self.bar.close()
