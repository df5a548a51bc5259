"""The air ladder: one vertical scale on which air, surface, wet film and dew point are rungs.

A margin is the distance between two rungs, so that it is seen before it is read. Drawn here as
SVG without style attributes; the style sheet colours it by class.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from markupsafe import Markup

from service.shop.gauges import CAUTIOUS_Z
from service.shop.spray_check import SprayCheck
from service.web.svg import drawn
from service.web.words import Words

__all__ = ["Rung", "draw_ladder", "ladder_text", "rungs_of"]

WIDTH, HEIGHT = 400, 340
TOP, BOTTOM = 24, 316
RAIL_LEFT, RAIL_RIGHT = 58, 128
LABEL_X = 154
LABEL_GAP = 42
LEAST_SPAN_K = 8.0
TICKS = (1.0, 2.0, 5.0, 10.0, 20.0)


@dataclass(frozen=True)
class Rung:
    """One temperature on the ladder; ``kind`` is air, surface, film or dew."""

    kind: str
    name: str
    celsius: float
    note: str = ""


def rungs_of(check: SprayCheck, words: Words) -> list[Rung]:
    """List what is known, warmest first."""
    air = check.air
    if air is None:
        return []
    rungs = []
    if check.cold_surface_c is not None:
        over = None if air.dew_point_c is None else check.cold_surface_c - air.dew_point_c
        rungs.append(Rung("air", words.say("Air"), air.air_c))
        rungs.append(
            Rung(
                "surface",
                words.say("The work, reckoned"),
                check.cold_surface_c,
                _over(over, words),
            )
        )
    elif air.surface_measured:
        rungs.append(Rung("air", words.say("Air"), air.air_c))
        rungs.append(
            Rung(
                "surface",
                words.say("Surface"),
                air.surface_c,
                _over(air.dew_point_margin_k, words),
            )
        )
    else:
        note = _over(air.dew_point_margin_k, words)
        rungs.append(Rung("air", words.say("Air (and surface)"), air.air_c, note))
    if check.film_floor_c is not None:
        note = _over(check.blush_margin_k, words)
        rungs.append(Rung("film", words.say("Wet film, coldest"), check.film_floor_c, note))
    if air.dew_point_c is not None:
        doubt = words.difference(CAUTIOUS_Z * air.dew_point_sd_k)
        note = words.say("give or take {doubt}", doubt=doubt)
        rungs.append(Rung("dew", words.say("Dew point"), air.dew_point_c, note))
    return sorted(rungs, key=lambda rung: -rung.celsius)


def _over(margin_k: float | None, words: Words) -> str:
    if margin_k is None:
        return ""
    margin = words.difference(abs(margin_k))
    if margin_k >= 0:
        return words.say("{margin} above dew point", margin=margin)
    return words.say("{margin} below dew point", margin=margin)


def ladder_text(check: SprayCheck, words: Words) -> str:
    """Say the ladder in one sentence, for those who do not see it."""
    rungs = rungs_of(check, words)
    said = [
        f"{_within(r.name, words)} {words.temperature(r.celsius)}"
        + (f" ({r.note})" if r.note else "")
        for r in rungs
    ]
    if not said:
        return words.say("No air is known here.")
    return words.say("From the top: {rungs}.", rungs="; ".join(said))


def _within(name: str, words: Words) -> str:
    """A name within a sentence; German writes its nouns with a capital anywhere."""
    return name.lower() if words.tongue.lang == "en" else name


def draw_ladder(check: SprayCheck, words: Words) -> Markup:
    """Draw the ladder; empty where no air is known."""
    rungs = rungs_of(check, words)
    if not rungs:
        return Markup()
    scale = _Scale.over(rungs, _band(check))
    parts = [
        drawn(
            '<svg class="ladder" viewBox="0 0 {} {}" role="img" aria-labelledby="ladder-title">'
            '<title id="ladder-title">{}</title>',
            WIDTH,
            HEIGHT,
            ladder_text(check, words),
        ),
        *_ticks(scale, words),
        *_dew_band(check, scale),
        *_rails(),
        *_margins(check, scale),
        *_rung_marks(rungs, scale),
        *_labels(rungs, scale, words),
        Markup("</svg>"),
    ]
    return Markup().join(parts)


@dataclass(frozen=True)
class _Scale:
    low_c: float
    high_c: float

    @classmethod
    def over(cls, rungs: Iterable[Rung], band: tuple[float, float] | None) -> _Scale:
        values = [rung.celsius for rung in rungs] + list(band or ())
        low, high = min(values), max(values)
        pad = max(0.06 * (high - low), (LEAST_SPAN_K - (high - low)) / 2, 0.5)
        return cls(low - pad, high + pad)

    def y(self, celsius: float) -> float:
        share = (self.high_c - celsius) / (self.high_c - self.low_c)
        return round(TOP + share * (BOTTOM - TOP), 1)


def _band(check: SprayCheck) -> tuple[float, float] | None:
    air = check.air
    if air is None or air.dew_point_c is None:
        return None
    doubt = CAUTIOUS_Z * air.dew_point_sd_k
    return air.dew_point_c - doubt, air.dew_point_c + doubt


def _ticks(scale: _Scale, words: Words) -> list[Markup]:
    """Ticks at round figures of the unit that is shown."""
    factor = words.difference_factor
    zero = 32.0 if words.us else 0.0
    low, high = scale.low_c * factor + zero, scale.high_c * factor + zero
    step = next((s for s in TICKS if (high - low) / s <= 8), TICKS[-1])
    shown = []
    value = math.ceil(low / step) * step
    while value <= high:
        y = scale.y((value - zero) / factor)
        shown.append(
            drawn(
                '<line class="tick" x1="44" x2="52" y1="{y}" y2="{y}"/>'
                '<text class="tick-text" x="38" y="{ty}" text-anchor="end">{v}</text>',
                y=y,
                ty=round(y + 4.5, 1),
                v=f"{value:.0f}".replace("-", "−"),
            )
        )
        value += step
    unit = '<text class="tick-text" x="38" y="12" text-anchor="end">{}</text>'
    return [*shown, drawn(unit, words.temperature_unit)]


def _rails() -> list[Markup]:
    rail = '<line class="rail" x1="{x}" x2="{x}" y1="{top}" y2="{bottom}"/>'
    return [drawn(rail, x=x, top=TOP - 10, bottom=BOTTOM + 10) for x in (RAIL_LEFT, RAIL_RIGHT)]


def _dew_band(check: SprayCheck, scale: _Scale) -> list[Markup]:
    """Everything below the dew point is wet; the doubt about it is a hatched band."""
    air, band = check.air, _band(check)
    if air is None or air.dew_point_c is None or band is None:
        return []
    dew, top, foot = scale.y(air.dew_point_c), scale.y(band[1]), scale.y(band[0])
    width = RAIL_RIGHT - RAIL_LEFT
    return [
        drawn(
            '<defs><pattern id="doubt" width="7" height="7" patternUnits="userSpaceOnUse" '
            'patternTransform="rotate(45)"><line class="doubt-line" x1="0" x2="0" y1="0" y2="7"/>'
            "</pattern></defs>"
            '<rect class="below" x="{x}" y="{dew}" width="{w}" height="{h}"/>'
            '<rect class="doubt" x="{x}" y="{top}" width="{w}" height="{band}" '
            'fill="url(#doubt)"/>',
            x=RAIL_LEFT,
            w=width,
            dew=dew,
            h=round(BOTTOM + 10 - dew, 1),
            top=top,
            band=round(max(2.0, foot - top), 1),
        )
    ]


def _margins(check: SprayCheck, scale: _Scale) -> list[Markup]:
    """Measure lines from the dew point to the surface and to the wet film."""
    air = check.air
    if air is None or air.dew_point_c is None:
        return []
    dew = scale.y(air.dew_point_c)
    lines = [_measure(78, dew, scale.y(air.surface_c), below=air.surface_c < air.dew_point_c)]
    if check.film_floor_c is not None:
        below = check.film_floor_c < air.dew_point_c
        lines.append(_measure(108, dew, scale.y(check.film_floor_c), below=below))
    return lines


def _measure(x: float, dew_y: float, y: float, *, below: bool) -> Markup:
    if abs(dew_y - y) < 6:
        return Markup()
    tip = 6 if y < dew_y else -6
    return drawn(
        '<path class="measure{cls}" d="M{x} {dew}V{y}M{l} {t}L{x} {y}L{r} {t}"/>',
        cls=" measure-below" if below else "",
        x=x,
        dew=dew_y,
        y=y,
        l=x - 4,
        r=x + 4,
        t=round(y + tip, 1),
    )


def _rung_marks(rungs: Iterable[Rung], scale: _Scale) -> list[Markup]:
    rung = '<line class="rung rung-{kind}" x1="{a}" x2="{b}" y1="{y}" y2="{y}"/>'
    return [
        drawn(rung, kind=r.kind, a=RAIL_LEFT - 6, b=RAIL_RIGHT + 6, y=scale.y(r.celsius))
        for r in rungs
    ]


def _labels(rungs: list[Rung], scale: _Scale, words: Words) -> list[Markup]:
    """Name each rung beside it; names that would overlap are pushed apart and led back."""
    places = _apart([scale.y(r.celsius) for r in rungs])
    label = (
        '<path class="lead" d="M{rail} {y}L{x0} {ly}"/>'
        '<text class="rung-name" x="{x}" y="{name_y}">{name}'
        '<tspan class="rung-value" dx="8">{value}</tspan></text>'
        '<text class="rung-note" x="{x}" y="{note_y}">{note}</text>'
    )
    return [
        drawn(
            label,
            rail=RAIL_RIGHT + 6,
            y=scale.y(r.celsius),
            x0=LABEL_X - 5,
            ly=at,
            x=LABEL_X,
            name_y=round(at - 1, 1),
            note_y=round(at + 17, 1),
            name=r.name,
            value=words.temperature(r.celsius),
            note=r.note,
        )
        for r, at in zip(rungs, places, strict=True)
    ]


def _apart(wanted: list[float]) -> list[float]:
    """Push ascending positions at least a label's height apart, within the drawing."""
    placed: list[float] = []
    for y in wanted:
        placed.append(max(y, placed[-1] + LABEL_GAP if placed else TOP - 4))
    limit = float(BOTTOM)
    for index in range(len(placed) - 1, -1, -1):
        placed[index] = round(min(placed[index], limit), 1)
        limit = placed[index] - LABEL_GAP
    return placed
