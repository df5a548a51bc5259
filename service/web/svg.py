"""Markup made of literal templates and what is filled into them."""

from __future__ import annotations

from typing import LiteralString

from markupsafe import Markup, escape

__all__ = ["drawn"]


def drawn(template: LiteralString, /, *parts: object, **named: object) -> Markup:
    """Fill a template's fields; figures go in as they are, all else escaped.

    The same as ``Markup.format``, for templates whose fields have no format of their own. A figure
    over time has hundreds of shapes, and that method takes each field apart in Python.
    """
    filled = template.format(*map(_safe, parts), **{k: _safe(v) for k, v in named.items()})
    return Markup(filled)  # noqa: S704 -- the template is a literal, its parts are escaped


def _safe(part: object) -> object:
    return part if type(part) in (float, int) else escape(part)
