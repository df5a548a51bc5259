"""Places: made before their first reading, and described better later on."""

from __future__ import annotations

import re
from typing import TypedDict

from service.clock import Clock
from service.shop.said import say
from service.store.db import Database
from service.store.errors import BadInput, Conflict, NotFound
from service.store.fields import one_of, text, within
from service.store.tables import Place

__all__ = ["PLACE_KINDS", "PlaceBook", "PlaceChange"]

PLACE_KINDS = ("booth", "rack", "store", "outdoors")
RESERVED = frozenset({"notices"})
WORD = re.compile(r"[a-z0-9][a-z0-9_-]{0,63}")


class PlaceChange(TypedDict, total=False):
    """What is to be different; what is left out stays. None: not known any more."""

    name: str
    kind: str
    volume_m3: float | None
    air_changes_h: float | None


class PlaceBook:
    """Keeps what is known of the places themselves."""

    def __init__(self, db: Database, clock: Clock) -> None:
        self.db, self.clock = db, clock

    def add(
        self,
        place_id: str,
        name: str | None = None,
        kind: str = "booth",
        volume_m3: float | None = None,
        air_changes_h: float | None = None,
    ) -> Place:
        """Make a place; raises BadInput or Conflict."""
        if not WORD.fullmatch(place_id) or place_id in RESERVED:
            raise BadInput("id", say("small letters, digits, - and _ only; and not 'notices'"))
        named = name or place_id.replace("-", " ").replace("_", " ")
        checked = _checked(
            {
                "name": named,
                "kind": kind,
                "volume_m3": volume_m3,
                "air_changes_h": air_changes_h,
            }
        )
        with self.db.write() as session:
            if session.get(Place, place_id) is not None:
                raise Conflict(
                    "id", say("there is already a place {place_id!r}", place_id=place_id)
                )
            row = Place(id=place_id, made_at=self.clock.now(), **checked)
            session.add(row)
        return row

    def change(self, place_id: str, change: PlaceChange) -> Place:
        """Describe a place anew; raises NotFound or BadInput.

        Its word stays: topics, addresses and the record are under it. What was reckoned of a coat
        when it was recorded stays as it was.
        """
        checked = _checked(change)
        with self.db.write() as session:
            row = session.get(Place, place_id)
            if row is None:
                raise NotFound("place", say("there is no place {name!r}", name=place_id))
            for name, value in checked.items():
                setattr(row, name, value)
            session.add(row)
        return row


def _checked(given: PlaceChange) -> PlaceChange:
    found = given.copy()
    if "name" in found:
        found["name"] = text("name", found["name"], 120, required=True)
    if "kind" in found:
        one_of("kind", found["kind"], PLACE_KINDS)
    volume, changes = found.get("volume_m3"), found.get("air_changes_h")
    if volume is not None:
        within("volume_m3", volume, 0.1, 1e5, "m³")
    if changes is not None:
        within("air_changes_h", changes, 0.0, 1000.0, "1/h")
    return found
