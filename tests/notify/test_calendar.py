"""The calendar feed: what it holds to of RFC 5545, read by a parser that did not write it."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import vobject
from hypothesis import given
from hypothesis import strategies as st

from service.notify.calendar import REMEMBERED, Entry, as_ics, settled

NOW = datetime(2026, 3, 28, 9, 0, tzinfo=UTC)


def ready(**changes: Any) -> Entry:
    usual: dict[str, Any] = {
        "uid": "ready-1-2-sand-0",
        "family": "ready",
        "title": "41 tenor ukulele: Level sand",
        "text": "Likely between Sat 14:10 and Sat 17:30; umlauts, commas; semicolons\nand lines\\.",
        "path": "/instruments/1",
        "start": NOW + timedelta(hours=6),
        "end": NOW + timedelta(hours=6.5),
        "marks": (NOW + timedelta(hours=5), NOW + timedelta(hours=8)),
        "certain": False,
    }
    return Entry(**(usual | changes))


def window(start_h: float, end_h: float, **changes: Any) -> Entry:
    start, end = (NOW + timedelta(hours=h) for h in (start_h, end_h))
    usual: dict[str, Any] = {
        "uid": f"window-booth-can-{start:%Y%m%dT%H%M}",
        "family": "window booth can",
        "title": "Spray window: Booth",
        "text": "Likely.",
        "path": "/",
        "start": start,
        "end": end,
        "by_overlap": True,
        "certain": False,
    }
    return Entry(**(usual | changes))


def ics(events: dict[str, dict[str, Any]]) -> bytes:
    return as_ics(events, name="Saltmarsh Strings", base="http://booth.local:8317", shop="a1b2")


def read(raw: bytes) -> list[Any]:
    return list(vobject.readOne(raw.decode()).contents.get("vevent", []))


def lines(raw: bytes) -> list[bytes]:
    """Unfold as RFC 5545, 3.1 says."""
    return raw.replace(b"\r\n ", b"").replace(b"\r\n\t", b"").split(b"\r\n")[:-1]


def test_another_parser_reads_what_was_meant() -> None:
    (event,) = read(ics(settled({}, [ready()], NOW)))
    assert event.uid.value == "ready-1-2-sand-0@a1b2"
    assert event.summary.value == "41 tenor ukulele: Level sand"
    assert event.dtstart.value == datetime(2026, 3, 28, 15, 0, tzinfo=UTC)
    assert event.dtend.value == datetime(2026, 3, 28, 15, 30, tzinfo=UTC)
    assert event.dtstamp.value == event.last_modified.value == NOW
    assert event.sequence.value == "0"
    assert event.description.value == (
        "Likely between Sat 14:10 and Sat 17:30; umlauts, commas; semicolons\nand lines\\."
        "\nhttp://booth.local:8317/instruments/1"
    )
    assert event.url.value == "http://booth.local:8317/instruments/1"
    assert event.status.value == "TENTATIVE"
    assert event.transp.value == "TRANSPARENT"


def test_the_form_is_that_of_the_standard() -> None:
    raw = ics(settled({}, [ready(title="Ü" * 200), window(1, 3)], NOW))
    # 3.1: lines end in CR LF, and none is longer than 75 octets without it.
    assert raw.endswith(b"END:VCALENDAR\r\n")
    assert b"\n" not in raw.replace(b"\r\n", b"")
    assert b"\r" not in raw.replace(b"\r\n", b"")
    assert max(len(line) for line in raw.split(b"\r\n")) <= 75
    unfolded = lines(raw)
    assert unfolded[0] == b"BEGIN:VCALENDAR"
    # 3.6: PRODID and VERSION once each; 3.6.1: UID and DTSTAMP in each event.
    for name in (b"PRODID:", b"VERSION:2.0"):
        assert sum(line.startswith(name) for line in unfolded) == 1
    for name in (b"UID:", b"DTSTAMP:", b"DTSTART:", b"SEQUENCE:", b"LAST-MODIFIED:"):
        assert sum(line.startswith(name) for line in unfolded) == 2
    # 3.3.5, form 2: in UTC, so that no definition of a time zone has to travel.
    times = [line for line in unfolded if line.startswith((b"DTST", b"DTEND", b"LAST-MOD"))]
    assert all(re.fullmatch(rb"[A-Z-]+:\d{8}T\d{6}Z", line) for line in times)
    # 3.3.11: what separates is escaped, a line's end is written.
    text = next(line for line in unfolded if line.startswith(b"DESCRIPTION:"))
    for line in unfolded:
        if line.startswith(b"DESCRIPTION:Likely between"):
            text = line
    assert b"umlauts\\, commas\\; semicolons\\nand lines\\\\." in text


def test_an_empty_feed_is_a_calendar() -> None:
    assert read(ics({})) == []


def test_what_hardly_moves_is_told_in_the_same_bytes() -> None:
    kept = settled({}, [ready()], NOW)
    moved = timedelta(minutes=9)
    again = ready(
        start=ready().start + moved,
        end=ready().end + moved,
        marks=tuple(m - moved for m in ready().marks),
        text="Likely between other times.",
    )
    later = settled(kept, [again], NOW + timedelta(minutes=20))
    assert ics(later) == ics(kept)


@pytest.mark.parametrize(
    "change",
    [
        {"start": ready().start + timedelta(minutes=11)},
        {"marks": (ready().marks[0], ready().marks[1] + timedelta(minutes=30))},
        {"title": "other"},
        {"sort": "ready"},
        {"certain": True},
    ],
)
def test_what_moves_keeps_its_name_and_counts_its_changes(change: dict[str, Any]) -> None:
    """3.8.7.4: SEQUENCE grows; 3.8.7.3: LAST-MODIFIED tells when."""
    kept = settled({}, [ready()], NOW)
    later = NOW + timedelta(hours=1)
    (event,) = read(ics(settled(kept, [ready(**change)], later)))
    assert event.uid.value == "ready-1-2-sand-0@a1b2"
    assert event.sequence.value == "1"
    assert event.last_modified.value == later


def test_small_moves_add_up() -> None:
    """Creeping by nine minutes an hour is told in the end, and never more than ten late."""
    kept: dict[str, dict[str, Any]] = {}
    for hour in range(12):
        start = ready().start + timedelta(minutes=9 * hour)
        kept = settled(kept, [ready(start=start, end=start + timedelta(minutes=30))], NOW)
        told = datetime.fromisoformat(kept["ready-1-2-sand-0"]["start"])
        assert abs(told - start) < timedelta(minutes=10)


def test_a_window_that_is_open_keeps_its_beginning_and_name() -> None:
    kept = settled({}, [window(1, 4), window(8, 10)], NOW)
    first, second = sorted(kept)
    # It has opened, ends a little later, and the first look at it was an hour ago.
    later = settled(kept, [window(2, 5, began=True), window(8, 10)], NOW + timedelta(hours=2))
    assert sorted(later) == [first, second]
    assert later[first]["start"] == (NOW + timedelta(hours=1)).isoformat()
    assert later[first]["end"] == (NOW + timedelta(hours=5)).isoformat()
    assert (later[first]["sequence"], later[second]["sequence"]) == (1, 0)
    # It has passed: the other one is still the other one.
    last = settled(later, [window(8, 10)], NOW + timedelta(hours=6))
    assert [e.uid.value for e in read(ics(last))] == [f"{second}@a1b2"]


def test_what_is_gone_comes_back_with_a_higher_count() -> None:
    kept = settled({}, [ready()], NOW)
    gone = settled(kept, [], NOW + timedelta(hours=1))
    assert read(ics(gone)) == []
    back = settled(gone, [ready()], NOW + timedelta(hours=2))
    (event,) = read(ics(back))
    assert event.sequence.value == "1"
    # And is forgotten one day.
    assert settled(gone, [], NOW + REMEMBERED + timedelta(hours=2)) == {}


starts = st.floats(min_value=-5, max_value=48, allow_nan=False)
looks = st.lists(
    st.lists(st.tuples(starts, st.floats(min_value=0.5, max_value=6)), max_size=4),
    min_size=1,
    max_size=4,
)


@given(looks)
def test_whatever_the_windows_do_names_are_one_each_and_counts_only_grow(
    rounds: list[list[tuple[float, float]]],
) -> None:
    kept: dict[str, dict[str, Any]] = {}
    counts: dict[str, int] = {}
    for number, found in enumerate(rounds):
        now = NOW + timedelta(minutes=20 * number)
        entries = [window(start, start + length) for start, length in found]
        kept = settled(kept, entries, now)
        told = [there for there in kept.values() if "gone" not in there]
        assert len(told) == len(entries)
        for uid, there in kept.items():
            assert there["sequence"] >= counts.get(uid, 0)
            counts[uid] = there["sequence"]
        assert settled(kept, entries, now) == kept or len(found) > 1
        assert len(read(ics(kept))) == len(entries)


def test_a_look_changes_nothing_it_was_given() -> None:
    kept = settled({}, [ready(), window(1, 2)], NOW)
    before = repr(kept)
    settled(kept, [replace(ready(), title="other")], NOW)
    assert repr(kept) == before
