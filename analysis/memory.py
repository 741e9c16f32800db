"""Results of the last steps, so that a changed setting repeats only the steps that it touches.

Every step is a function of its arguments alone and its result is read-only, so a result may serve again where the
step is asked for with the same arguments: equal numbers and texts, equal bytes, or the very same earlier result.
"""
from __future__ import annotations

import hashlib
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Executor
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np

__all__ = ["Memory", "afresh", "aside"]

BUDGET_BYTES = 400_000_000 # two photos of 12 megapixels with all that is made of them take about 200 MB


def afresh(step: Callable, *arguments, **named) -> Any:
    """Run a step and keep nothing."""
    return step(*arguments, **named)


def aside(pool: Executor | None, step: Callable, *arguments, **named) -> Callable[[], Any]:
    """Leave a step to a thread of the pool that is free, and return what gives its result.

    Where all are busy until the result is asked for, or there is no pool, the thread that asks does the step itself.
    """
    if pool is None:
        return lambda: step(*arguments, **named)
    left = pool.submit(step, *arguments, **named)
    return lambda: step(*arguments, **named) if left.cancel() else left.result()


class Memory:
    """Keeps the results of steps up to a number of bytes; the longest unused go first.

    Call it as `afresh`. Threads may share one. A step that raises is not kept.

    Parameters
    ----------
    budget_bytes : int
        Arrays of the results that are kept, at most.
    """

    def __init__(self, budget_bytes: int = BUDGET_BYTES) -> None:
        self._budget = budget_bytes
        self._kept: OrderedDict[Hashable, tuple[Any, tuple, int]] = OrderedDict()
        self._lock = threading.Lock()

    def __call__(self, step: Callable, *arguments, **named) -> Any:
        """Return the step's result, kept or fresh."""
        given = (*arguments, *named.values())
        key = (step, tuple(named), *(_mark(value) for value in given))
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key][0]
        result = step(*arguments, **named)
        # What is known by its identity must live as long as the entry, or another may take its place in memory.
        held = tuple(value for value in given if not isinstance(value, bytes))
        with self._lock:
            self._kept[key] = (result, held, _size(result))
            while sum(size for _, _, size in self._kept.values()) > self._budget:
                self._kept.popitem(last=False)
        return result


def _mark(value) -> Hashable:
    """What tells an argument from any other: its content where that is cheap, else its identity."""
    if isinstance(value, bytes):
        return hashlib.blake2b(value, digest_size=16).digest()
    if value is None or isinstance(value, str | int | float):
        return (type(value), value)
    if isinstance(value, tuple) and all(v is None or isinstance(v, str | int | float | tuple) for v in value):
        return tuple(_mark(v) for v in value)
    return (type(value), id(value))


def _size(result) -> int:
    """Bytes of the arrays in a result."""
    if isinstance(result, np.ndarray):
        return result.nbytes
    if is_dataclass(result):
        return sum(_size(getattr(result, field.name)) for field in fields(result))
    if isinstance(result, tuple):
        return sum(_size(value) for value in result)
    return 0
