"""What the memory of steps keeps, and that no answer depends on it."""
from __future__ import annotations

import json
import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analysis import memory, pipeline
from analysis.report import to_dict
from analysis.settings import Settings

DEMO = Path(__file__).parents[1] / "demo_images"
FRAME = Settings(frame_mm=(80.0, 60.0))


def counted(log):
    def step(*arguments, **named):
        log.append((arguments, named))
        return np.zeros(1000, np.uint8)
    return step


def test_equal_arguments_get_the_kept_result_and_others_a_fresh_one():
    log = []
    step, run = counted(log), memory.Memory()
    first = run(step, b"photo", 1.0, side=(2, None))
    assert run(step, bytes(bytearray(b"photo")), 1.0, side=(2, None)) is first
    for arguments, named in (((b"photO", 1.0), {"side": (2, None)}), ((b"photo", 1), {"side": (2, None)}),
                             ((b"photo", 1.0), {"side": (2, 0)}), ((b"photo", 1.0, (2, None)), {})):
        assert run(step, *arguments, **named) is not first
    assert len(log) == 5


def test_an_array_is_known_by_its_identity_and_lives_as_long_as_its_entry():
    log, run = [], memory.Memory()
    step = counted(log)
    for _ in range(20):                    # a fresh array each time, which could be laid where the last one was
        run(step, np.zeros(64))
    assert len(log) == 20


def test_the_longest_unused_results_go_when_the_budget_is_full():
    log = []
    step, run = counted(log), memory.Memory(budget_bytes=2500)
    run(step, 1), run(step, 2), run(step, 1), run(step, 3)     # 2 is the longest unused
    run(step, 1), run(step, 3)
    assert len(log) == 3
    run(step, 2)
    assert len(log) == 4


def test_a_step_that_fails_is_not_kept():
    run = memory.Memory()
    with pytest.raises(ZeroDivisionError):
        run(lambda: 1 / 0)
    assert not run._kept


def test_a_changed_setting_reads_and_aligns_nothing_again_and_gives_the_same_report(monkeypatch):
    truth = json.loads((DEMO / "truth.json").read_text("utf-8"))["pairs"]["cured"]
    before, after = ((DEMO / truth[side]["file"]).read_bytes() for side in ("before", "after"))
    changed = replace(FRAME, shortest_period_mm=1.2)
    fresh = to_dict(pipeline.compare(before, after, changed))
    run = memory.Memory()
    pipeline.compare(before, after, FRAME, memory=run)
    for name in ("load_photo", "rectify", "register", "rectify_through"):
        step = getattr(pipeline, name)
        def again(*arguments, step=step, **named):
            raise AssertionError(f"{step.__name__} ran again")
        kept = [key for key in run._kept if key[0] is step]
        for key in kept:                   # the step's entries answer under the new function's name
            run._kept[(again, *key[1:])] = run._kept.pop(key)
        monkeypatch.setattr(pipeline, name, again)
    kept = to_dict(pipeline.compare(before, after, changed, memory=run))
    for report in (fresh, kept):
        report.pop("made", None), report.pop("created", None)
    assert kept == fresh


def test_step_left_aside_is_done_once_by_whoever_comes_first():
    done, free = [], threading.Event()

    def step():
        done.append(threading.get_ident())
        return 7
    with ThreadPoolExecutor(1) as pool:
        busy = pool.submit(free.wait, 60.0)
        result = memory.aside(pool, step)
        assert done == []                                  # the pool's only thread is busy
        assert result() == 7 and done == [threading.get_ident()]
        free.set()
        assert busy.result()
    with ThreadPoolExecutor(1) as pool:
        result = memory.aside(pool, step)
        pool.submit(int).result()                          # so its thread is past the step
        assert result() == 7 and len(done) == 2 and done[1] != threading.get_ident()
    assert memory.aside(None, step)() == 7 and done[2:] == [threading.get_ident()]


def test_report_is_the_same_whether_steps_are_left_aside_or_not(monkeypatch):
    photos = [(DEMO / name).read_bytes() for name in ("grain_before.jpg", "grain_after.jpg")]
    given = to_dict(pipeline.compare(*photos, FRAME))
    monkeypatch.setattr("analysis.judge.aside", lambda _pool, step, *arguments: lambda: step(*arguments))
    assert json.dumps(to_dict(pipeline.compare(*photos, FRAME))) == json.dumps(given)
