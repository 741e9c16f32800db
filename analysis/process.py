"""What our own programs set for their whole process; the library leaves its host's heaps alone."""
from __future__ import annotations

import contextlib
import ctypes

__all__ = ["share_one_heap"]

ARENAS = -8                # M_ARENA_MAX of the GNU C library's malloc.h


def share_one_heap() -> None:
    """Let all threads share one heap: 80 MB less for two photos of 12 megapixels.

    The GNU C library gives each thread a heap of its own, so what one thread has freed is not there for the next.
    Elsewhere nothing is done.
    """
    with contextlib.suppress(AttributeError, OSError, TypeError):      # another C library, or a system without one
        ctypes.CDLL(None).mallopt(ARENAS, 1)
