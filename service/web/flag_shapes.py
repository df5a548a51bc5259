"""What a person sees of a flag: a word and a shape of its own, never a colour alone."""

from __future__ import annotations

from markupsafe import Markup

from service.web.svg import drawn

__all__ = ["FLAG_WORDS", "SHAPES", "flag_glyph", "flag_mark"]

FLAG_WORDS = {
    "range": "out of range",
    "rate_of_change": "changed too fast",
    "stuck": "stuck",
    "spike": "spike",
    "jump_after_calibration": "jumped at a correction",
    "clock_wrong": "clock wrong",
    "clock_drifting": "clock drifting",
    "disagrees": "disagrees with its neighbours",
    "battery_low": "battery low",
    "away": "away from its place",
}

SHAPES = {
    "range": "M0-5 5 4H-5z",
    "rate_of_change": "M-5 5 5-5M0-5h5v5",
    "stuck": "M-6-2H6v4H-6z",
    "spike": "M-5 5 0-6 5 5",
    "jump_after_calibration": "M-6 4H0v-8h6",
    "clock_wrong": "M-5 0a5 5 0 1 1 10 0a5 5 0 1 1-10 0M0-3v3l2 2",
    "clock_drifting": "M4 4A5.5 5.5 0 1 1 5-2M0-3v3h3",
    "disagrees": "M-5-2H5M-5 2H5M-3 6 3-6",
    "battery_low": "M-6-3H4v6H-6zM5-1v2M-4-1v2",
    "away": "M-3-6h6M-4-3h8v8h-8z",
}
"""Drawn about the point (0, 0) in the colour of the ink."""


def flag_mark(name: str, x: float, y: float) -> Markup:
    """Draw a flag's shape at a point of a figure."""
    return drawn(
        '<path class="flag-mark" d="{}" transform="translate({} {})"/>',
        SHAPES[name],
        round(x, 1),
        round(y, 1),
    )


def flag_glyph(name: str) -> Markup:
    """Draw a flag's shape to stand beside its word."""
    return drawn(
        '<svg class="flag-shape" viewBox="-8 -8 16 16" aria-hidden="true"><path d="{}"/></svg>',
        SHAPES[name],
    )
