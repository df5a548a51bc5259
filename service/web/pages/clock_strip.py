"""The clock strip: a wait laid out in time, from its coat to where it is surely over."""

from __future__ import annotations

from datetime import datetime

from markupsafe import Markup

from service.shop.projection import ReadyTime
from service.web.svg import drawn

__all__ = ["draw_strip"]


def draw_strip(wait: ReadyTime, since: datetime | None, now: datetime) -> Markup:
    """Draw one wait in true time: what has passed, and the stretch that holds its end.

    The stretch is hatched from the instant it is over by with 10 % to that with 90 %, with a stroke
    at the middle. Without air, or without its coat's instant, the clock's share alone is drawn.
    """
    parts = [
        Markup(
            '<svg class="strip" viewBox="0 0 100 8" preserveAspectRatio="none" aria-hidden="true">'
            '<rect class="strip-bed" width="100" height="8"/>'
        )
    ]
    ends = [at for at in (wait.ready_at, wait.ready_from, wait.ready_until) if at is not None]
    if since is None or len(ends) < 3 or wait.reached:
        parts.append(_fill(100.0 * min(wait.clock, 1.0)))
        return Markup().join([*parts, Markup("</svg>")])
    whole = (max(*ends, now) - since).total_seconds()

    def x(at: datetime) -> float:
        return round(100.0 * min(max((at - since).total_seconds() / whole, 0.0), 1.0), 1)

    first, middle, last = x(min(ends)), x(ends[0]), x(max(ends))
    parts += [
        _fill(x(now)),
        drawn(
            '<rect class="strip-range" x="{}" width="{}" height="8"/>',
            first,
            round(max(last - first, 0.8), 1),
        ),
        *(
            drawn(
                '<rect class="strip-hatch" x="{}" width="0.35" height="8"/>',
                round(first + 1.2 * n, 1),
            )
            for n in range(1, int((last - first) / 1.2) + 1)
        ),
        drawn('<line class="strip-mid" x1="{x}" x2="{x}" y1="-1" y2="9"/>', x=middle),
        Markup("</svg>"),
    ]
    return Markup().join(parts)


def _fill(width: float) -> Markup:
    return drawn('<rect class="strip-fill" width="{}" height="8"/>', round(width, 1))
