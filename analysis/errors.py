"""Errors that a person sees: one sentence that names the mend.

The page and the command line show the sentence and nothing else. A fault of
the program itself stays an ordinary exception with its traceback.
"""
from __future__ import annotations

__all__ = ["PhotoError", "RegistrationRefused"]


class PhotoError(Exception):
    """Something the user gave cannot be used; the sentence says how to mend it."""


class RegistrationRefused(Exception):
    """The two photos cannot be aligned with enough certainty to compare them."""
