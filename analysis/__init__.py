"""Tell stripes that a laser engraver makes from the grain of the material.

`compare` and `inspect` are the two entry points. Names are loaded when first
used, so that the help text does not wait for the image libraries.
"""
from __future__ import annotations

import ctypes
import importlib
import os
import os.path
import sys
from typing import Any

__version__ = "0.1.0"
__all__ = ["Comparison", "Inspection", "PhotoError", "RegistrationRefused", "Settings", "__version__",
           "compare", "inspect", "load_machine", "load_photo"]

# Our matrix products are small: threads of the linear algebra library would only fight with our own
# two, and the last digit would depend on how many cores there are.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
if "numpy" in sys.modules:             # it has read the environment already; left so, a comparison takes twice as long
    importlib.import_module("threadpoolctl").threadpool_limits(1, user_api="blas")

_HOMES = {"Comparison": "pipeline", "Inspection": "pipeline", "compare": "pipeline", "inspect": "pipeline",
          "PhotoError": "errors", "RegistrationRefused": "errors", "Settings": "settings",
          "load_machine": "machine", "load_photo": "photo"}
_OUTSIDE_LIBRARIES = ("libGL.so.1", "libgthread-2.0.so.0", "libglib-2.0.so.0")   # opencv-python brings none
_MEND = ("OpenCV cannot start because this computer lacks system libraries: install the packages libgl1 and "
         "libglib2.0-0 (sudo apt-get install libgl1 libglib2.0-0).")


def _check_libraries() -> None:
    """Say in one sentence which packages OpenCV lacks, instead of the loader's words.

    Asking for the three libraries takes a millisecond; OpenCV itself, which takes
    a quarter of a second, is tried only where one is missing: a build of it
    without windows needs none of them.
    """
    if not sys.platform.startswith("linux"):
        return
    try:
        for name in _OUTSIDE_LIBRARIES:
            ctypes.CDLL(name)
        return
    except OSError:
        pass
    try:
        importlib.import_module("cv2")
    except ImportError:
        if os.path.basename(sys.argv[0] if sys.argv else "") in ("-m", "stripe-or-grain"):     # as a program
            sys.stderr.write(_MEND + "\n")
            raise SystemExit(2) from None
        raise ImportError(_MEND) from None


def __getattr__(name: str) -> Any:
    """Load a public name from its module."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(importlib.import_module(f"analysis.{_HOMES[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """List the public names, loaded or not."""
    return sorted({*globals(), *__all__})


_check_libraries()
