"""What if, as a page: a plain form, and two columns, now and then."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import Response

from service.shop.materials import Material
from service.shop.said import say
from service.shop.what_if import Change, Wait, WhatIf
from service.store.errors import BadInput, NotFound, StoreError
from service.store.what_if import Asked, RoomGiven, ask_what_if
from service.web.deps import Shop, ShopDep
from service.web.pages.render import renderer_of
from service.web.phrases import first_upper, mark_name
from service.web.problems import field_name
from service.web.words import Words

__all__ = ["router"]

router = APIRouter()

LONGEST = 64


@dataclass(frozen=True)
class _Row:
    """A figure of both columns, in words."""

    name: str
    now: str
    then: str


@router.get("/what-if")
def get_what_if(request: Request, shop: ShopDep) -> Response:
    """Show the form, and what would come of it."""
    renderer = renderer_of(request)
    words = renderer.words
    values = {
        name: value.strip()[:LONGEST]
        for name, value in request.query_params.items()
        if value.strip()
    }
    places = shop.desk.places()
    place = next((p for p in places if p.id == values.get("place")), None)
    if place is None:
        raise NotFound("place", say("there is no place {name!r}", name=values.get("place", "")))
    sprayed = [m for m in shop.desk.catalogue.materials.values() if m.blend is not None]
    material = next((m for m in sprayed if m.id == values.get("material")), sprayed[0])
    found, errors = _asked(shop, values, place.id, material, words)
    return renderer.page(
        request,
        "what_if.html",
        422 if errors else 200,
        place=place,
        places=places,
        sprayed=sprayed,
        material=material,
        cards=shop.desk.cards(),
        values=values,
        errors=errors,
        found=found,
        changed=found is not None and _differs(found),
        rows=[] if found is None else _rows(found, words),
        costs=[] if found is None else _costs(found, words),
    )


def _asked(
    shop: Shop, values: dict[str, str], place_id: str, material: Material, words: Words
) -> tuple[WhatIf | None, dict[str, str]]:
    """Ask; figures that cannot be are named, and nothing is asked."""
    try:

        def figure(name: str, si: Callable[[float], float] = float) -> float | None:
            return _figure(values, name, si)

        piece = _figure(values, "instrument", float)
        asked = Asked(
            place_id,
            material.id,
            None if piece is None else int(piece),
            figure("now_wet", words.film_um),
            figure("now_retarder") or 0.0,
        )
        change = Change(
            figure("heat", lambda k: k / words.difference_factor) or 0.0,
            figure("dry", words.litres) or 0.0,
            figure("work") or 0.0,
            figure("retarder"),
            figure("wet", words.film_um),
        )
        given = RoomGiven(figure("volume", words.volume_m3), figure("changes"))
        return ask_what_if(shop.desk, asked, change, given), {}
    except StoreError as error:
        return None, {_FORM_NAMES.get(error.field, field_name(error.field)): error.reason}


_FORM_NAMES = {
    "heat_k": "heat",
    "dehumidify_l_day": "dry",
    "warm_work_min": "work",
    "retarder_pct": "retarder",
    "wet_um": "wet",
    "volume_m3": "volume",
    "air_changes_h": "changes",
}


def _figure(values: dict[str, str], name: str, si: Callable[[float], float]) -> float | None:
    if name not in values:
        return None
    try:
        return si(float(values[name].replace(",", ".")))
    except ValueError as error:
        raise BadInput(name, say("is no number")) from error


def _differs(found: WhatIf) -> bool:
    return found.then.air != found.now.air or found.then.check.coating != found.now.check.coating


def _rows(found: WhatIf, words: Words) -> list[_Row]:
    sides = found.now, found.then

    def row(name: str, told: Callable[[Any], str]) -> _Row:
        return _Row(name, told(sides[0]), told(sides[1]))

    rows = [
        row(words.say("Air"), lambda s: words.temperature(s.air.air_c)),
        row(words.say("Humidity"), lambda s: words.humidity(s.air.rh_pct)),
        row(words.say("Dew point"), lambda s: words.temperature(s.air.dew_point_c)),
        row(words.say("Work's surface"), lambda s: words.temperature(s.check.surface_c)),
        row(words.say("Wet film, coldest"), lambda s: words.temperature(s.check.film_floor_c)),
        row(words.say("Over dew point"), lambda s: words.difference(s.check.blush_margin_k)),
        row(words.say("Blush risk"), lambda s: words.chance(s.check.blush_probability)),
        row(
            words.say("Coat"),
            lambda s: words.say("{film} wet", film=words.film(s.check.coating.wet_um)),
        ),
        row(words.say("Retarder"), lambda s: f"{s.check.coating.retarder_pct:g} %"),
    ]
    return rows + _wait_rows(found.now.waits, found.then.waits, words)


def _wait_rows(now: Sequence[Wait], then: Sequence[Wait], words: Words) -> list[_Row]:
    return [
        _Row(
            _wait_name(a, words),
            words.wait(a.hours),
            words.wait(b.hours),
        )
        for a, b in zip(now, then, strict=False)
    ]


def _wait_name(wait: Wait, words: Words) -> str:
    mark = words.local(mark_name(wait.mark))
    return words.say("Last coat {mark}", mark=mark) if wait.under_way else first_upper(mark)


def _costs(found: WhatIf, words: Words) -> list[str]:
    """Say what is gained and what it takes."""
    cost, said = found.cost, []
    if found.blush_margin_gain_k is not None:
        more = found.blush_margin_gain_k >= 0.0
        by = words.difference(abs(found.blush_margin_gain_k))
        said.append(
            words.say("The wet film is {by} further over the dew point.", by=by)
            if more
            else words.say("The wet film is {by} nearer the dew point.", by=by)
        )
    if cost.water_l is not None and cost.water_g_kg is not None:
        if cost.water_l > 0:
            taken = words.local(f"{cost.water_g_kg:.1f} g/kg")
            said.append(
                words.say(
                    "Water to take out of the air: {water} ({share}), nine tenths of it in {wait}.",
                    water=words.liquid(cost.water_l),
                    share=taken,
                    wait=words.wait(cost.follows_h),
                )
            )
        water = words.liquid(cost.water_l_day)
        said.append(words.say("Then the machine keeps taking {water} a day.", water=water))
    if cost.heat_kwh is not None:
        said.append(
            words.say(
                "Warming up: {heat} kWh; then {power} kW to hold it.",
                heat=words.figure(cost.heat_kwh, 1),
                power=words.figure(cost.hold_kw or 0.0, 1),
            )
        )
    if cost.kwh:
        said.append(
            words.say(
                "In all about {energy} kWh with {hours} hours of holding.",
                energy=words.figure(cost.kwh, 1),
                hours=f"{cost.hold_h:g}",
            )
        )
    return said
