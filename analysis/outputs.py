"""Files written whole or not at all."""
from __future__ import annotations

import errno
import os
import tempfile
from os import PathLike
from pathlib import Path

from analysis.errors import PhotoError

__all__ = ["check_writable", "write_whole"]


def check_writable(path: str | PathLike[str]) -> None:
    """Refuse before the work begins what could not be written after it.

    Raises
    ------
    PhotoError
        The folder is missing or closed, or the name is a folder's.
    """
    path = Path(path)
    try:
        if path.is_dir():
            raise PhotoError(f"{path} is a folder. Give a file name in it.")
        if path.exists() and not path.is_file():       # a device or pipe would be replaced by a file
            raise PhotoError(f"{path} is not an ordinary file. Name a file in a folder of yours.")
        if not path.parent.is_dir():
            raise PhotoError(f"The folder {path.parent} does not exist. Make it first, or name another.")
    except (OSError, ValueError) as problem:
        raise _refusal(path, problem) from problem
    if not os.access(path.parent, os.W_OK | os.X_OK):
        raise PhotoError(f"The folder {path.parent} may not be written to. Name a file in a folder of yours.")
    if path.exists() and not os.access(path, os.W_OK):
        raise PhotoError(f"{path} is write-protected. Name another file, or allow writing to this one.")


def write_whole(path: str | PathLike[str], content: bytes) -> None:
    """Write a file so that a reader sees the old content or the new, never a part.

    Raises
    ------
    PhotoError
        The disk is full or the folder may not be written to; nothing is left behind.
    """
    check_writable(path)
    path = Path(os.path.realpath(path))                # a link stays a link
    beside = None
    try:
        handle, beside = tempfile.mkstemp(prefix=".unfinished-", dir=path.parent)
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(beside, 0o666 & ~_mask())
        os.replace(beside, path)
    except BaseException as problem:
        if beside is not None and os.path.exists(beside):
            os.unlink(beside)
        if isinstance(problem, OSError):
            raise _refusal(path, problem) from problem
        raise


def _mask() -> int:
    """Read the process's file mode mask, which can only be read by setting it."""
    mask = os.umask(0o077)
    os.umask(mask)
    return mask


def _refusal(path: Path, problem: Exception) -> PhotoError:
    """One sentence for what the system said."""
    number = getattr(problem, "errno", None)
    if number in (errno.ENOSPC, errno.EDQUOT):
        return PhotoError(f"The disk is full: {path.name} was not written. "
                          "Free some space, or name another disk.")
    if number in (errno.EACCES, errno.EPERM, errno.EROFS):
        return PhotoError(f"{path} may not be written. Name a file in a folder of yours.")
    if number == errno.ENAMETOOLONG:
        return PhotoError("The name of the output file is too long. Give a shorter one.")
    return PhotoError(f"{path.name} could not be written ({getattr(problem, 'strerror', None) or problem}). "
                      "Name another file.")
