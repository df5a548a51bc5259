"""Parts that are coated by themselves, and what they make together."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from service.shop.parts import PartState, due, overall, touches
from service.shop.projection import ReadyTime
from service.shop.schedule import CoatDone, Schedule, Step, position

NOW = datetime(2026, 4, 6, 9, tzinfo=UTC)
CLEAR = Schedule(
    "clear",
    "Clear",
    (
        Step("seal", "seal", "Seal", material="sealer", coats=1),
        Step("clear", "clear_coat", "Clear coats", material="lacquer", coats=2),
        Step("rub", "rub_out", "Rub out", after="recoat"),
    ),
)


def recoat(ready_at: datetime | None) -> ReadyTime:
    reached = ready_at is not None and ready_at <= NOW
    return ReadyTime(
        "recoat", 1.0 if reached else 0.5, 0.5, 1.0, ready_at, ready_at, ready_at,
        reached=reached, surely=False, gap_h=0.0, trailing_gap_h=0.0, basis="common practice",
    )  # fmt: skip


def part(name: str, coats: int, ready_in_min: float | None = -1.0) -> PartState:
    """A part with its seal and so many clear coats on, ready so many minutes from now."""
    on = [CoatDone(n, "seal" if n == 0 else "clear", "x", NOW, 60.0) for n in range(coats + 1)]
    ready = None if ready_in_min is None else NOW + timedelta(minutes=ready_in_min)
    return PartState(name, position(CLEAR, on, []), (recoat(ready),), coats, NOW)


def test_the_parts_furthest_behind_are_due():
    states = [part("back", 1), part("sides", 1), part("top", 0), part("neck", 2)]
    assert [s.part for s in due(states)] == ["top"]
    assert overall(states).position.coats_done == 0


def test_it_is_ready_when_the_last_of_those_is():
    states = [part("back", 1, -5), part("top", 1, 20), part("neck", 1, 10), part("head", 2, 500)]
    found = overall(states)
    assert (found.part, found.act.state) == ("top", "waiting")
    ready = [part("back", 1, -5), part("top", 1, -1)]
    assert overall(ready).act.state == "ready"


def test_a_part_whose_air_is_unknown_holds_up_the_rest():
    blind = part("top", 1, None)
    blind = PartState(
        blind.part, blind.position, (ReadyTime(**vars(recoat(None)) | {"elapsed_h": 0.0}),), 1, NOW
    )
    assert overall([part("back", 1, -5), blind]).act.state == "unknown"


def test_an_instrument_coated_as_one_has_one_state():
    states = [part("", 1, 20)]
    assert due(states) == tuple(states)
    assert overall(states) is states[0]


def test_nothing_named_means_all_of_it():
    assert touches([], ["back"])
    assert touches(["back"], [])
    assert touches(["back"], [""])
    assert touches(["back", "top"], ["top"])
    assert not touches(["back"], ["top"])
