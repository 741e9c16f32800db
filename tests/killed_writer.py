"""A logbook writer that is killed in the middle of its work, and the check of what it left."""
from __future__ import annotations

import hashlib
import os
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

WRITER = """
import hashlib, sys
from analysis.logbook import add_entry
number = 0
while True:
    picture = hashlib.sha256(f"{sys.argv[2]} {number}".encode()).digest() * 4000    # 128 kB
    entry = add_entry(title=f"{sys.argv[2]} {number}", notes="x" * 5000, tags=["kill", str(number)],
                      made="2026-11-25", pictures={"photo.jpg": picture}, path=sys.argv[1])
    print(entry, number, flush=True)
    number += 1
"""


def write_and_kill(path: Path, name: str, alive_s: float) -> dict[int, str]:
    """Let a writer run, kill it `alive_s` after its first entry; returns the entries that it confirmed."""
    process = subprocess.Popen([sys.executable, "-c", WRITER, str(path), name], stdout=subprocess.PIPE,
                               text=True, cwd=Path(__file__).parent.parent,
                               env=os.environ | {"OMP_NUM_THREADS": "1"})
    first = process.stdout.readline()
    time.sleep(alive_s)
    process.send_signal(signal.SIGKILL)
    said = (first + process.stdout.read()).splitlines(keepends=True)
    process.wait()
    process.stdout.close()
    whole = [line.split() for line in said if line.endswith("\n")]
    return {int(entry): f"{name} {number}" for entry, number in whole}


def check_all_kept(path: Path, confirmed: dict[int, str]) -> int:
    """Assert that the file is sound, each confirmed entry whole, none half written; returns their number."""
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        titles = dict(connection.execute("SELECT id, title FROM entry"))
        pictures = dict(connection.execute("SELECT entry, data FROM picture"))
        tags = dict(connection.execute("SELECT entry, count(*) FROM tag GROUP BY entry"))
    for entry, title in confirmed.items():
        assert titles[entry] == title
    for entry, title in titles.items():
        assert pictures[entry] == hashlib.sha256(title.encode()).digest() * 4000
        assert tags[entry] == 2
    return len(titles)
