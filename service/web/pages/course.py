"""The course of a place's air, as rows for a table and as a figure."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from urllib.parse import urlencode

from markupsafe import Markup

from service.store.desk import PlaceView
from service.store.past_film import PastFilm, past_film_of
from service.web import models
from service.web.deps import Shop
from service.web.pages.plot import (
    DAMP_FOOT,
    DAMP_TOP,
    HEIGHT,
    LEFT,
    RIGHT,
    WARM_FOOT,
    WARM_TOP,
    WIDTH,
    Axis,
    breaks,
    levels,
    line,
    times,
)
from service.web.svg import drawn
from service.web.words import Words

__all__ = ["AirPoint", "Course", "air_rows", "course_figure"]

POINTS = 144
CHART_POINTS = 400


@dataclass(frozen=True)
class AirPoint:
    """Mean air of one bucket (or one reading)."""

    at: datetime
    air_c: float
    rh_pct: float
    dew_point_c: float | None


@dataclass(frozen=True)
class Course:
    """A figure drawn on the server, and where the page's script finds the same rows."""

    svg: Markup
    source: str
    place: PlaceView
    from_at: datetime
    to_at: datetime
    summary: str
    film_source: str = ""


def air_rows(
    shop: Shop, place_id: str, from_at: datetime, to_at: datetime, points: int
) -> list[AirPoint]:
    """Read a place's air in at most ``points`` buckets, oldest first."""

    def read() -> list[AirPoint]:
        found = shop.desk.history(place_id, from_at, to_at, "auto", points)
        return [_point(row) for row in found.rows]

    if points > POINTS:
        return read()
    return list(shop.desk.kept(("air rows", place_id, from_at, to_at, points), read))


def course_figure(
    shop: Shop,
    words: Words,
    place: PlaceView,
    from_at: datetime,
    to_at: datetime,
    material_id: str | None = None,
) -> Course:
    """Draw a place's air between two instants; with a material also what its film would meet."""
    rows = air_rows(shop, place.id, from_at, to_at, POINTS)
    asked = {"from": models.iso(from_at), "to": models.iso(to_at), "points": CHART_POINTS}
    address = f"/api/v1/places/{place.id}"
    past, film_source = None, ""
    if material_id is not None and rows:
        past = past_film_of(shop.desk, place.id, material_id, from_at, to_at, POINTS)
        film_source = f"{address}/film?{urlencode({**asked, 'material': material_id})}"

    def draw() -> Markup:
        return _draw(rows, from_at, to_at, words, past) if rows else Markup()

    if past is None:
        svg = shop.desk.kept(("course figure", place.id, from_at, to_at, words), draw)
    else:
        svg = draw()
    return Course(
        svg=svg,
        source=f"{address}/history?{urlencode(asked)}",
        place=place,
        from_at=from_at,
        to_at=to_at,
        summary=_summary(rows, words),
        film_source=film_source,
    )


def _point(row: Mapping[str, Any]) -> AirPoint:
    return AirPoint(row["at"], _mean(row["air_c"]), _mean(row["rh_pct"]), row["dew_point_c"])


def _mean(value: Any) -> float:
    """Mean of a bucket, or the figure of a single reading."""
    return float(value["mean"] if isinstance(value, Mapping) else value)


def _summary(rows: Sequence[AirPoint], words: Words) -> str:
    if not rows:
        return words.say("No readings in this span.")
    warm, damp = [r.air_c for r in rows], [r.rh_pct for r in rows]
    return words.say(
        "Air {coldest} to {warmest}, relative humidity {driest} to {dampest}.",
        coldest=words.temperature(min(warm)),
        warmest=words.temperature(max(warm)),
        driest=words.humidity(min(damp)),
        dampest=words.humidity(max(damp)),
    )


def _draw(
    rows: Sequence[AirPoint],
    from_at: datetime,
    to_at: datetime,
    words: Words,
    past: PastFilm | None,
) -> Markup:
    def x(at: datetime) -> float:
        return round(LEFT + (at - from_at) / (to_at - from_at) * (RIGHT - LEFT), 1)

    film = [] if past is None else [(r.at, r.film_floor_c) for r in past.rows]
    dews = [r.dew_point_c for r in rows if r.dew_point_c is not None]
    dews += [floor for _, floor in film if floor is not None]
    warm = Axis.over([*(r.air_c for r in rows), *dews], WARM_TOP, WARM_FOOT)
    damp = Axis(0.0, 100.0, DAMP_TOP, DAMP_FOOT)
    broken = breaks([r.at for r in rows])
    lines = [
        line("air", [(x(r.at), warm.y(r.air_c)) for r in rows], broken),
        line(
            "dew",
            [(x(r.at), None if r.dew_point_c is None else warm.y(r.dew_point_c)) for r in rows],
            broken,
        ),
        line("rh", [(x(r.at), damp.y(r.rh_pct)) for r in rows], broken),
    ]
    if film:
        points = [(x(at), None if f is None else warm.y(f)) for at, f in film]
        lines.append(line("film", points, breaks([at for at, _ in film])))
    if past is not None:
        lines += _marked(past, x)
    last = rows[-1]
    names = [(words.say("Air"), warm.y(last.air_c))]
    if last.dew_point_c is not None:
        names.append((words.say("Dew"), warm.y(last.dew_point_c)))
    if len(names) == 2 and names[1][1] - names[0][1] < 13:
        names = [(words.say("Air"), names[0][1] - 7), (words.say("Dew"), names[0][1] + 7)]
    names.append((words.say("RH"), damp.y(last.rh_pct)))
    return Markup().join(
        [
            drawn(
                '<svg class="course" viewBox="0 0 {} {}" role="img" aria-label="{}">',
                WIDTH,
                HEIGHT,
                _summary(rows, words),
            ),
            *levels(warm, lambda c: words.temperature(c, 0)),
            *levels(damp, lambda rh: f"{rh:.0f} %"),
            *times(from_at, to_at, words, x),
            *lines,
            *(
                drawn(
                    '<text class="course-name" x="{}" y="{}">{}</text>',
                    RIGHT + 5,
                    round(y + 4, 1),
                    name,
                )
                for name, y in names
            ),
            Markup("</svg>"),
        ]
    )


def _marked(past: PastFilm, x: Callable[[datetime], float]) -> list[Markup]:
    """Draw when it might have been sprayed between the panels, and a drop for each coat."""
    band = '<rect class="band" x="{}" y="{}" width="{}" height="6"/>'
    drop = '<path class="coat-mark" d="M{} {}q7 9 0 12q-7 -3 0 -12z"/>'
    return [
        *(
            drawn(band, x(a), WARM_FOOT + 5, round(max(x(b) - x(a), 1.5), 1))
            for a, b in past.windows
        ),
        *(drawn(drop, x(coat.at), WARM_TOP - 12) for coat in past.coats),
    ]
