"""Filling in the HTML pages: everything that is put in is escaped unless drawn here."""

from __future__ import annotations

import base64
from pathlib import Path
from typing import Any

import jinja2
from markupsafe import Markup

__all__ = ["drawing", "fill_page", "picture_source"]

PAGES = Path(__file__).parent / "pages"


def fill_page(name: str, **values: Any) -> str:
    """Return the page `name` of measure/pages, filled in.

    Text is escaped, since photo names and the turner's own words may hold anything. A value
    that the page needs and does not get raises jinja2.UndefinedError.
    """
    pages = jinja2.Environment(
        loader=jinja2.FileSystemLoader(PAGES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return pages.get_template(name).render(**values)


def drawing(svg: str) -> Markup:
    """Let a drawing that this package made into a page as it is; its text is escaped already."""
    return Markup(svg)


def picture_source(jpeg: bytes) -> str:
    """Return a picture as the source of an `img`, so that the page needs no second file."""
    return "data:image/jpeg;base64," + base64.b64encode(jpeg).decode("ascii")
