"""What stands in the calendar feed, and the secret address it is fetched by."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

from service.address import public_url
from service.notify.calendar import Entry, as_ics, settled
from service.shop.cards import InstrumentCard
from service.shop.said import say
from service.shop.spray_windows import SprayWindow
from service.store.errors import NotFound
from service.store.facts import Facts
from service.web.deps import Shop
from service.web.tongue import ENGLISH
from service.web.words import Words

__all__ = ["address", "feed", "path", "renew"]

TOKEN, TOLD = "calendar", "calendar_told"
READY_MIN = 30
"""Length of an event that tells of an instant: shorter ones cannot be seen in a week's view."""

MOST_WINDOWS_FOR = 6
"""Pairs of booth and material that windows are told of, where none was asked for."""


def path(shop: Shop) -> str:
    """Return the address of the feed on this service; whoever knows it can read the feed."""
    return f"/calendar/{_token(shop)['token']}.ics"


def address(shop: Shop) -> str:
    """Return the whole address of the feed, as a calendar wants it."""
    return f"{public_url(shop.settings)}{path(shop)}"


def renew(shop: Shop) -> str:
    """Make a new address and return it; the feed is no longer given under the old one."""
    Facts(shop.desk.db).update(
        TOKEN, lambda there: _made() | ({} if there is None else {"shop": there["shop"]})
    )
    return path(shop)


def feed(
    shop: Shop, token: str, words: Words, place: str | None = None, material: str | None = None
) -> bytes:
    """Return the feed, where the token is right.

    Parameters
    ----------
    place, material : str, optional
        Which spray windows are told; without both those of every booth, for what the pieces under
        way need next.

    Raises
    ------
    NotFound
        Where the token is wrong, or there is no such place or material.
    """
    kept = _token(shop)
    if not hmac.compare_digest(token.encode(), str(kept["token"]).encode()):
        raise NotFound("token", say("there is no such calendar"))
    now, cards = shop.clock.now(), shop.desk.cards()
    fresh = [e for card in cards if (e := _ready(card, words)) is not None]
    for where, what in _wanted(shop, cards, place, material):
        fresh += _windows(shop, where, what, words, now)
    asked = "" if place is None and material is None else f"{place}:{material}"
    if words.tongue is not ENGLISH:
        asked = f"{asked}:{words.tongue.lang}"
    key = f"{TOLD}:{hashlib.sha256(asked.encode()).hexdigest()[:16]}"
    told = Facts(shop.desk.db).update(
        key, lambda there: {"events": settled((there or {}).get("events", {}), fresh, now)}
    )
    return as_ics(
        told["events"],
        name=shop.book.now.name or "Boothglass",
        base=public_url(shop.settings),
        shop=f"{kept['shop']}.boothglass",
    )


def _ready(card: InstrumentCard, words: Words) -> Entry | None:
    act, wait = card.act, card.act.wait
    if wait is None or wait.ready_at is None or act.state not in {"waiting", "ready"}:
        return None
    gap_h = wait.trailing_gap_h
    name, blind = words.tongue.said, ""
    if gap_h >= 1:
        blind = words.say("No reading for the last {hours} h.", hours=words.figure(gap_h))
    what = name(act.step_name)
    if act.coats and act.coat_number:
        what = words.say(
            "{what} {number} of {coats}", what=what, number=act.coat_number, coats=act.coats
        )
    marks: tuple[datetime, ...] = ()
    if wait.reached or wait.ready_from is None or wait.ready_until is None:
        text = words.say("Ready since {at}.", at=_said(wait.ready_at, words))
    else:
        marks = (wait.ready_from, wait.ready_until)
        text = words.say(
            "Likely between {first} and {last} (8 times in 10). It waits for {what}.",
            first=_said(marks[0], words),
            last=_said(marks[1], words),
            what=name(act.waits_for),
        )
    return Entry(
        uid=f"ready-{card.id}-{card.last_coat_id or 0}-{act.step_key}-{act.coat_number or 0}",
        family="ready",
        title=f"{card.shop_number} {card.kind}: {what}",
        text=" ".join(filter(None, (text, blind)))
        + "\n"
        + words.say("Reckoned from the air it hung in; the data sheet comes first."),
        path=f"/instruments/{card.id}",
        start=wait.ready_at,
        end=wait.ready_at + timedelta(minutes=READY_MIN),
        sort=f"{act.state} blind" if blind else act.state,
        marks=marks,
        certain=wait.reached,
    )


def _wanted(
    shop: Shop, cards: Sequence[InstrumentCard], place: str | None, material: str | None
) -> list[tuple[str, str]]:
    sprayed = {m.id for m in shop.desk.catalogue.materials.values() if m.blend is not None}
    if material is not None and material not in sprayed:
        raise NotFound("material", say("there is no sprayed material {name!r}", name=material))
    booths = [p.id for p in shop.desk.places() if p.kind == "booth" and p.air is not None]
    needed = dict.fromkeys(c.act.material_id for c in cards if c.act.material_id in sprayed)
    places = booths if place is None else [shop.desk.place(place).id]
    materials = [m for m in needed if m is not None] if material is None else [material]
    return [(where, what) for where in places for what in materials][:MOST_WINDOWS_FOR]


def _windows(shop: Shop, place: str, material: str, words: Words, now: datetime) -> list[Entry]:
    check = shop.desk.spray_check(place, material)
    issue, _ = shop.desk.outlook(place)
    found = shop.desk.windows(place, check, wait=issue is not None)
    if found.why_none:
        return []  # what cannot be told now is not told from before
    said = words.tongue.said(shop.desk.material(material).name)
    name = f"{shop.desk.place(place).name}, {said}"
    return [_window(w, place, material, name, words) for w in found.windows if w.end_at > now]


def _window(window: SprayWindow, place: str, material: str, name: str, words: Words) -> Entry:
    tenths = min(round(10 * window.probability), 9)
    return Entry(
        uid=f"window-{place}-{material}-{window.start_at:%Y%m%dT%H%M}",
        family=f"window {place} {material}",
        title=words.say("Spray window: {name}", name=name),
        text=words.say(
            "Likely: about {tenths} times in 10, until {end}.",
            tenths=tenths,
            end=_said(window.end_at, words),
        )
        + "\n"
        + words.say("By the outlook; ask the spray check before you spray."),
        path=f"/?place={place}&material={material}",
        start=window.start_at,
        end=window.end_at,
        sort=str(tenths),
        certain=False,
        began=window.open_now,
        by_overlap=True,
    )


def _said(instant: datetime, words: Words) -> str:
    """Tell an instant by its weekday, the same whenever it is told."""
    here = instant.astimezone(words.zone)
    return words.at(instant, here - timedelta(days=2))


def _token(shop: Shop) -> dict[str, Any]:
    return Facts(shop.desk.db).once(TOKEN, _made)


def _made() -> dict[str, Any]:
    return {"token": secrets.token_urlsafe(24), "shop": secrets.token_hex(6)}
