"""Styles, scripts and drawings of the page, read from the package."""

from __future__ import annotations

import base64
from functools import cache
from importlib import resources

__all__ = ["asset", "svg_address"]


@cache
def asset(name: str) -> str:
    """Text of one file in `page_parts/look`."""
    return (resources.files("analysis.page_parts") / "look" / name).read_text(encoding="utf-8")


def svg_address(drawing: str) -> str:
    """Drawing as a data address: the page's cleaner lets no drawing through as markup."""
    return "data:image/svg+xml;base64," + base64.b64encode(drawing.encode()).decode()
