"""What our own programs set for their whole process; the library leaves its host's process alone."""
from __future__ import annotations

import contextlib
import ctypes
import sys

__all__ = ["set_up_process"]

SWITCH_S = 2e-4            # the threads of the two photos wait for each other less than with Python's own 5 ms
ARENAS = -8                # M_ARENA_MAX of the GNU C library's malloc.h


def set_up_process() -> None:
    """Let threads take turns sooner (5 % less time on two cores), and share one heap (80 MB less at 12 megapixels).

    The GNU C library gives each thread a heap of its own, so what one thread has freed is not there for the next.
    Elsewhere nothing is done about heaps.
    """
    sys.setswitchinterval(SWITCH_S)
    with contextlib.suppress(AttributeError, OSError, TypeError):      # another C library, or a system without one
        ctypes.CDLL(None).mallopt(ARENAS, 1)
