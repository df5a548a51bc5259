"""Sentences made from a template, so that they can be known again by it and said otherwise."""

from __future__ import annotations

__all__ = ["say"]


def say(template: str, /, **given: object) -> str:
    """Return an English sentence; its template goes into the catalogue of messages.

    A figure is rounded in the template (``{by:.1f}``): what is said elsewhere rounds no further.
    """
    return template.format(**given)
