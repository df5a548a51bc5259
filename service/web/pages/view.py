"""What the first page shows, gathered: the spray check, the windows, the pieces, the air."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from service.shop.cards import InstrumentCard
from service.shop.materials import Material
from service.shop.spray_check import SprayCheck
from service.store.desk import PlaceView
from service.store.errors import StoreError
from service.store.tables import Flaw, Notice
from service.store.window_book import SprayOutlook
from service.web.deps import Shop
from service.web.pages.course import course_figure
from service.web.views import Asked

__all__ = [
    "Choice",
    "Seen",
    "checks_for",
    "last_day",
    "look",
    "look_ahead",
    "material_for",
    "place_for",
    "places_of",
    "sprayed",
]

SHOWN = 4
"""Notices on the first page; the rest have one of their own."""

STOP = "stop-spraying"


@dataclass(frozen=True)
class Choice:
    """What is looked at."""

    place: PlaceView
    material: Material
    instrument: InstrumentCard | None
    wet_um: float | None
    retarder_pct: float


@dataclass(frozen=True)
class Seen:
    """What is seen; ``complaint`` says why another coat than the one asked for was checked."""

    choice: Choice
    places: Sequence[PlaceView]
    cards: Sequence[InstrumentCard]
    check: SprayCheck
    complaint: str
    windows: SprayOutlook
    asked: dict[int, SprayCheck]
    notices: Sequence[Notice]
    stops: Sequence[Notice]
    flaws: Sequence[Flaw]


def look(shop: Shop, asked: Asked) -> Seen | None:
    """Look at the shop now; None where there is nothing to be seen of it yet."""
    places, cards = shop.desk.places(), shop.desk.cards()
    heard = any(p.air is not None for p in places)
    if not places or (not heard and not cards):
        return None
    place = place_for(places, asked.place, asked.kept_place)
    choice = Choice(
        place,
        material_for(shop, cards, place.id, asked.material, asked.kept_material),
        next((c for c in cards if str(c.id) == asked.instrument), None),
        asked.wet_um,
        asked.retarder_pct,
    )
    check, complaint = _check(shop, choice)
    unseen = shop.desk.notices(limit=99, unseen_only=True)
    return Seen(
        choice,
        places,
        cards,
        check,
        complaint,
        shop.desk.windows(place.id, check),
        checks_for(shop, cards),
        shop.desk.notices(limit=SHOWN),
        [notice for notice in unseen if notice.kind == STOP],
        shop.desk.flaws()[:3],
    )


def look_ahead(shop: Shop, asked: Asked) -> None:
    """Look as a page will in a moment, so that what it asks for has been reckoned by then."""
    with shop.desk.db.at_once():
        if look(shop, asked) is None:
            return
        # Once more, for an answer that has just turned: after *wait* the limits are stricter.
        seen = look(shop, asked)
        if seen is None:
            return
        shop.planner.working()
        for words in shop.views.spoken():
            course_figure(shop, words, seen.choice.place, *last_day(shop.clock.now()))


def places_of(shop: Shop, views: Sequence[Asked]) -> list[str]:
    """Return the places that somebody looks at."""
    places = shop.desk.places()
    return [place_for(places, v.place, v.kept_place).id for v in views] if places else []


def last_day(now: datetime) -> tuple[datetime, datetime]:
    """The last 24 h and what is left of these ten minutes, so that it is read once in a while."""
    end = datetime.fromtimestamp(-(-now.timestamp() // 600) * 600, UTC)
    return end - timedelta(hours=24), end


def checks_for(shop: Shop, cards: Sequence[InstrumentCard]) -> dict[int, SprayCheck]:
    """Ask the spray check for every piece whose next coat may go on now, where it hangs."""
    asked: dict[int, SprayCheck] = {}
    for card in cards:
        act = card.act
        if act.state != "ready" or act.material_id is None or card.place_id is None:
            continue
        try:
            asked[card.id] = shop.desk.spray_check(
                card.place_id, act.material_id, instrument_id=card.id, card=card
            )
        except StoreError:  # wiped on, not sprayed; or a material the shop has taken out
            continue
    return asked


def _check(shop: Shop, choice: Choice) -> tuple[SprayCheck, str]:
    """Ask; figures that cannot be are named, and the usual coat is asked instead."""
    ids = choice.place.id, choice.material.id
    piece = None if choice.instrument is None else choice.instrument.id
    try:
        asked = shop.desk.spray_check(
            *ids,
            instrument_id=piece,
            wet_um=choice.wet_um,
            retarder_pct=choice.retarder_pct,
            card=choice.instrument,
        )
    except StoreError as refusal:
        return shop.desk.spray_check(
            *ids, instrument_id=piece
        ), f"{refusal.reason}; usual coat shown"
    return asked, ""


def sprayed(shop: Shop) -> list[Material]:
    """List the materials that are sprayed."""
    return [m for m in shop.desk.catalogue.materials.values() if m.blend is not None]


def place_for(places: Sequence[PlaceView], asked: str | None, kept: str) -> PlaceView:
    """Return the place that was asked for, else the one last looked at, else the first booth."""
    by_id = {p.id: p for p in places}
    for wanted in (asked, kept):
        if wanted in by_id:
            return by_id[wanted]
    booths = [p for p in places if p.kind == "booth"]
    with_air = [p for p in booths if p.air is not None]
    return (with_air or booths or list(places))[0]


def material_for(
    shop: Shop, cards: Sequence[InstrumentCard], place_id: str, asked: str | None, kept: str
) -> Material:
    """Return the material that was asked for, else the one last looked at, else a likely one."""
    by_id = {m.id: m for m in sprayed(shop)}
    # Without a choice: what the next piece in this place needs.
    needed = [c.act.material_id for c in cards if c.place_id == place_id]
    for wanted in (asked, kept, *needed):
        if wanted in by_id:
            return by_id[wanted]
    return next(iter(by_id.values()))
