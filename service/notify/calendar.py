"""The calendar feed (RFC 5545): when pieces are ready, and when the air will do to spray.

A calendar that is subscribed to is fetched again and again, so an event keeps its name (``UID``)
while its hour moves, and what has not moved to speak of is told in the same bytes as before: then
nothing is fetched, and no calendar says that something has changed. What was told last is kept.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any

__all__ = ["Entry", "as_ics", "settled"]

PRODUCT = "-//Boothglass//Calendar feed//EN"

TO_SPEAK_OF = timedelta(minutes=10)
"""By less than this an instant has not moved."""

REMEMBERED = timedelta(days=14)
"""How long an event that is gone keeps its count of changes, should it come back."""

ASK_AGAIN = timedelta(minutes=30)
"""How often a calendar may like to look (RFC 7986, 5.7)."""


@dataclass(frozen=True)
class Entry:
    """Something to be told by calendar.

    ``marks`` are the instants that the text tells, and ``sort`` whatever else makes it a different
    thing to know; a change of the text alone is none. An entry that ``began`` before it was looked
    at keeps the beginning it was told with.
    """

    uid: str
    family: str
    title: str
    text: str
    path: str
    start: datetime
    end: datetime
    sort: str = ""
    marks: tuple[datetime, ...] = ()
    certain: bool = True
    began: bool = False
    by_overlap: bool = field(default=False)
    """Whether its name follows from its time: then it is the one of its family it overlaps."""


def settled(
    kept: Mapping[str, Mapping[str, Any]], fresh: Iterable[Entry], now: datetime
) -> dict[str, dict[str, Any]]:
    """Return the events as they are told now, by ``UID``; those that are gone carry ``gone``.

    Parameters
    ----------
    kept : mapping
        What this function returned last.
    fresh : iterable of Entry
        What there is to tell.
    """
    out: dict[str, dict[str, Any]] = {}
    for entry in fresh:
        uid = _name(entry, kept, out)
        out[uid] = _event(replace(entry, uid=uid), kept.get(uid), now)
    for uid, there in kept.items():
        if uid in out:
            continue
        gone = str(there.get("gone") or now.isoformat())
        if now - datetime.fromisoformat(gone) < REMEMBERED:
            out[uid] = {**there, "gone": gone}
    return out


def as_ics(events: Mapping[str, Mapping[str, Any]], *, name: str, base: str, shop: str) -> bytes:
    """Return the feed.

    Parameters
    ----------
    events : mapping
        As :func:`settled` returns them.
    base : str
        Where the pages are, without a slash at its end.
    shop : str
        What no other shop's feed has in its names.
    """
    import icalendar  # 3 MB, for who has a calendar only

    calendar = icalendar.Calendar()
    calendar.add("PRODID", PRODUCT)
    calendar.add("VERSION", "2.0")
    calendar.add("NAME", name)
    calendar.add("X-WR-CALNAME", name)  # older than NAME, and more widely read
    calendar.add("REFRESH-INTERVAL", ASK_AGAIN, parameters={"VALUE": "DURATION"})
    for uid, told in sorted(events.items(), key=lambda item: (item[1]["start"], item[0])):
        if "gone" in told:
            continue
        event = icalendar.Event()
        event.add("UID", f"{uid}@{shop}")
        modified = datetime.fromisoformat(told["modified"])
        # Without a METHOD the two are the same thing (RFC 5545, 3.8.7.2).
        event.add("DTSTAMP", modified)
        event.add("LAST-MODIFIED", modified)
        event.add("SEQUENCE", int(told["sequence"]))
        event.add("DTSTART", datetime.fromisoformat(told["start"]))
        event.add("DTEND", datetime.fromisoformat(told["end"]))
        event.add("SUMMARY", told["title"])
        event.add("DESCRIPTION", f"{told['text']}\n{base}{told['path']}")
        event.add("URL", f"{base}{told['path']}")
        event.add("STATUS", "CONFIRMED" if told["certain"] else "TENTATIVE")
        event.add("TRANSP", "TRANSPARENT")  # nobody is busy because a coat dries
        event.add("CLASS", "PRIVATE")
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def _name(entry: Entry, kept: Mapping[str, Mapping[str, Any]], taken: Mapping[str, object]) -> str:
    if entry.by_overlap:
        for uid, there in kept.items():
            if (
                there["family"] == entry.family
                and uid not in taken
                and datetime.fromisoformat(there["start"]) < entry.end
                and entry.start < datetime.fromisoformat(there["end"])
            ):
                return uid
    uid, number = entry.uid, 1
    while uid in taken:
        uid, number = f"{entry.uid}-{number}", number + 1
    return uid


def _event(entry: Entry, there: Mapping[str, Any] | None, now: datetime) -> dict[str, Any]:
    if there is not None and entry.began:
        start = datetime.fromisoformat(there["start"])
        entry = replace(entry, start=min(start, entry.start))
    if there is not None and "gone" not in there and _as_before(entry, there):
        return dict(there)
    return {
        "family": entry.family,
        "title": entry.title,
        "text": entry.text,
        "path": entry.path,
        "start": _whole(entry.start).isoformat(),
        "end": _whole(entry.end).isoformat(),
        "sort": entry.sort,
        "marks": [_whole(mark).isoformat() for mark in entry.marks],
        "certain": entry.certain,
        "sequence": 0 if there is None else int(there["sequence"]) + 1,
        "modified": now.astimezone(UTC).replace(microsecond=0).isoformat(),
    }


def _as_before(entry: Entry, there: Mapping[str, Any]) -> bool:
    said = (there["title"], there["path"], there["sort"], there["certain"], len(there["marks"]))
    if said != (entry.title, entry.path, entry.sort, entry.certain, len(entry.marks)):
        return False
    old = [there["start"], there["end"], *there["marks"]]
    new = [entry.start, entry.end, *entry.marks]
    moved = (abs(datetime.fromisoformat(a) - b) for a, b in zip(old, new, strict=True))
    return all(by < TO_SPEAK_OF for by in moved)


def _whole(instant: datetime) -> datetime:
    """Return the minute it falls into, in UTC, as a clock shows it."""
    return instant.astimezone(UTC).replace(second=0, microsecond=0)
