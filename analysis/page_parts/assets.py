"""Styles, scripts and drawings of the page, read from the package."""
from __future__ import annotations

from functools import cache
from importlib import resources

__all__ = ["asset"]


@cache
def asset(name: str) -> str:
    """Text of one file in `page_parts/look`."""
    return (resources.files("analysis.page_parts") / "look" / name).read_text(encoding="utf-8")
