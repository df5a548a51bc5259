"""An instrument's place in its schedule follows from what was recorded, and from nothing else."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.shop.schedule import CoatDone, Schedule, Step, StepMark, position

T0 = datetime(2026, 3, 2, 9, tzinfo=UTC)

SCHEDULE = Schedule(
    "short",
    "A short finish",
    (
        Step("seal", "seal", "Seal", material="sealer", coats=1),
        Step("scuff", "scuff_sand", "Scuff", after="sand"),
        Step("clear", "clear_coat", "Clear", material="lacquer", coats=3),
        Step("cure", "cure", "Cure", until="rub_out"),
        Step("level", "level_sand", "Level"),
    ),
)


def coat(number: int, step: str, material: str = "lacquer") -> CoatDone:
    return CoatDone(number, step, material, T0 + timedelta(hours=number), 60.0)


def test_a_new_instrument_starts_at_the_first_step_and_waits_for_nothing() -> None:
    here = position(SCHEDULE, [], [])
    assert here.step is not None
    assert here.step.key == "seal"
    assert here.coat_number == 1
    assert here.wait_mark is None


def test_after_its_coats_a_step_is_through_and_the_next_waits_for_its_mark() -> None:
    here = position(SCHEDULE, [coat(1, "seal", "sealer")], [])
    assert here.step is not None
    assert (here.step.key, here.wait_mark) == ("scuff", "sand")


def test_between_coats_of_one_step_the_recoat_mark_counts() -> None:
    here = position(
        SCHEDULE, [coat(1, "seal"), coat(2, "clear")], [StepMark("scuff", T0 + timedelta(hours=1))]
    )
    assert here.step is not None
    assert (here.step.key, here.coat_number, here.wait_mark) == ("clear", 2, "recoat")


def test_a_cure_is_open_until_its_mark_is_reached_and_then_ends_by_itself() -> None:
    coats = [coat(1, "seal"), *(coat(n, "clear") for n in (2, 3, 4))]
    done = [StepMark("scuff", T0)]
    waiting = position(SCHEDULE, coats, done)
    assert waiting.step is not None
    assert (waiting.step.key, waiting.wait_mark) == ("cure", "rub_out")
    through = position(SCHEDULE, coats, done, frozenset({"rub_out"}))
    assert through.step is not None
    assert (through.step.key, through.wait_mark) == ("level", None)


def test_a_step_recorded_as_finished_is_passed_even_with_coats_missing() -> None:
    here = position(
        SCHEDULE,
        [coat(1, "seal"), coat(2, "clear")],
        [StepMark("scuff", T0), StepMark("clear", T0)],
    )
    assert here.step is not None
    assert here.step.key == "cure"


def test_the_end_of_the_schedule_has_no_step() -> None:
    done = [StepMark(step.key, T0) for step in SCHEDULE.steps]
    here = position(SCHEDULE, [], done)
    assert here.step is None
    assert here.index == len(SCHEDULE.steps)


@given(st.permutations([coat(1, "seal"), coat(2, "clear"), coat(3, "clear")]))
def test_the_order_in_which_coats_are_read_does_not_matter(coats: list[CoatDone]) -> None:
    here = position(SCHEDULE, coats, [StepMark("scuff", T0)])
    assert here.last_coat is not None
    assert (here.coat_number, here.last_coat.id) == (3, 3)


@pytest.mark.parametrize("finished", [0, 1, 2, 3, 4, 5])
def test_undoing_a_step_moves_back_to_it(finished: int) -> None:
    done = [StepMark(step.key, T0) for step in SCHEDULE.steps[:finished]]
    assert position(SCHEDULE, [], done).index >= min(finished, len(SCHEDULE.steps))


def test_a_cure_is_not_open_again_because_of_what_is_put_on_after_it() -> None:
    """Oil on the fingerboard becomes the newest coat, and has no mark to rub out."""
    steps = (*SCHEDULE.steps, Step("oil", "oil", "Oil", material="oil", coats=2))
    schedule = Schedule("oiled", "With oil", (*steps, Step("setup", "set_up", "Set up")))
    coats = [coat(1, "seal"), *(coat(n, "clear") for n in (2, 3, 4))]
    done = [StepMark("scuff", T0), StepMark("level", T0 + timedelta(hours=9))]
    levelled = position(schedule, coats, done)
    assert levelled.step is not None
    assert levelled.step.key == "oil"
    coats.append(coat(10, "oil", "oil"))
    oiled = position(schedule, coats, done)
    assert oiled.step is not None
    assert (oiled.step.key, oiled.coat_number, oiled.wait_mark) == ("oil", 2, "recoat")
    coats.append(coat(11, "oil", "oil"))
    last = position(schedule, coats, done)
    assert last.step is not None
    assert last.step.key == "setup"
