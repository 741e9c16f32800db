"""Keep what C libraries write to standard error away from people, and hear it.

The decoders inside OpenCV and Pillow write there themselves, past `sys.stderr`;
the only handle on it is the process's file descriptor. Several threads may ask
at once: the first moves it away, the last puts it back.
"""
from __future__ import annotations

import os
import sys
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

__all__ = ["Heard", "quietly"]

MOST_BYTES = 10_000

_turn = threading.Condition()
_users = 0
_crowd = False                 # more than one thread since the descriptor was moved away
_alone = False                 # one thread has asked to be the only one
_saved: int | None = None
_file: Any = None


class Heard:
    """What was written meanwhile: of all threads, where `shared`."""

    text: str = ""
    shared: bool = False


@contextmanager
def quietly(*, alone: bool = False) -> Iterator[Heard]:
    """Send file descriptor 2 to a temporary file for the time of the block.

    Parameters
    ----------
    alone : bool
        Wait until no other thread is inside, and let none in: what is heard is this block's.

    Yields
    ------
    Heard
        Filled when the block ends.
    """
    heard = Heard()
    start = _begin(alone)
    try:
        yield heard
    finally:
        heard.text, heard.shared = _end(start)


def _begin(alone: bool) -> int:
    """Move the descriptor away, for the first user; returns where the user's text begins."""
    global _users, _crowd, _alone, _saved, _file
    with _turn:
        _turn.wait_for(lambda: not _alone and not (alone and _users))
        _users, _alone, _crowd = _users + 1, alone, _users > 0
        if _users == 1:
            try:
                sys.stderr.flush()
                _file = tempfile.TemporaryFile("a+b", buffering=0)     # append: reading does not move the writers
                _saved = os.dup(2)
                os.dup2(_file.fileno(), 2)
            except (OSError, AttributeError, ValueError):      # no standard error at all: nothing to keep quiet
                _saved = None
        return _file.seek(0, os.SEEK_END) if _saved is not None else 0


def _end(start: int) -> tuple[str, bool]:
    """Put the descriptor back, for the last user; returns what was written since `start`, and whether by several."""
    global _users, _alone, _saved, _file
    with _turn:
        _users, _alone = _users - 1, False
        text, shared = "", _crowd
        if _saved is not None:
            _file.seek(start)
            text = _file.read(MOST_BYTES).decode("utf-8", "replace")
            if _users == 0:
                os.dup2(_saved, 2)
                os.close(_saved)
                _file.close()
                _saved = _file = None
        _turn.notify_all()
        return text, shared
