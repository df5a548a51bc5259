"""Who holds the phone: their units, clock, language and look, by person or by device.

What the person has chosen comes first, then what was chosen on this device, then the shop's own.
Without a language chosen, the browser's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from service.store.errors import NotFound
from service.store.people_book import PeopleBook
from service.store.shop_settings import ShopSettings
from service.store.tables import Person
from service.web.signin.caller import caller_of
from service.web.tongue import Tongues
from service.web.words import Words

__all__ = ["CHOICES", "PERSON", "THEMES", "Holder", "holder_of", "keep", "words_for"]

PERSON = "person"
"""Cookie that says whose device this is: "this phone is used by ..."."""

THEMES = ("light", "dark", "sun")

CHOICES: dict[str, tuple[str, ...]] = {
    "units": ("metric", "us"),
    "clock": ("24", "12"),
    "lang": (),
    "theme": THEMES,
}
"""What may be chosen, as cookie and in a person's preferences; languages are those there are."""

KEPT_S = 400 * 86_400


@dataclass(frozen=True)
class Holder:
    """Who holds the device, if it is said, and what was chosen; None where nothing was."""

    person: Person | None
    units: str | None = None
    clock: str | None = None
    lang: str | None = None
    theme: str | None = None


def holder_of(request: Request, people: PeopleBook) -> Holder:
    """Return who holds the device that asks: who is signed in, else who is said to use it."""
    person = None
    signed_in = caller_of(request).person_id
    known = request.cookies.get(PERSON, "") if signed_in is None else str(signed_in)
    if known.isdecimal() and len(known) < 10:
        try:
            person = people.person(int(known))
        except NotFound:  # taken away since
            person = None
    chosen: dict[str, str | None] = {}
    for name, allowed in CHOICES.items():
        own = None if person is None else person.prefs.get(name)
        for value in (own, request.cookies.get(name)):
            said = str(value or "")
            if said and (said in allowed or (not allowed and said.isalpha() and len(said) < 4)):
                chosen[name] = said
                break
    return Holder(person, **chosen)


def words_for(
    shop: ShopSettings, chosen: Mapping[str, Any], tongues: Tongues, accept: str = ""
) -> Words:
    """Return the words for somebody who has chosen so; what is missing is as the shop has it."""
    return Words(
        shop.tz,
        us=(chosen.get("units") or shop.units) == "us",
        twelve=str(chosen.get("clock") or shop.clock) == "12",
        tongue=tongues.of(chosen.get("lang"), accept=accept),
    )


def keep(response: Response, name: str, value: str) -> None:
    """Keep a choice on the device; an empty one is forgotten."""
    if value:
        response.set_cookie(name, value, max_age=KEPT_S, samesite="lax", httponly=True)
    else:
        response.delete_cookie(name, samesite="lax", httponly=True)
