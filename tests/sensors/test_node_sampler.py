"""The sampler on simulated chips, by a clock that is set: faults, heating, stuck values."""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable
from pathlib import Path

import pytest
from simulated_bus import (
    SetTime,
    SimulatedBme280,
    SimulatedBus,
    SimulatedSht3x,
    SimulatedSht4x,
    flipping,
    framed,
)

from sensors.node.buffer import Buffer, Kept
from sensors.node.bus import Bus
from sensors.node.chip import BusError, Chip, ImplausibleError, Measurement
from sensors.node.chips import KINDS
from sensors.node.clock import Anchor, Moment
from sensors.node.heating import HeatingRule, HeatingState, is_due, is_settling, seen
from sensors.node.sampler import Outcome, Sampler, Source, StuckGuard

START_MS = 1_772_442_000_000  # 2026-03-02T09:00:00Z
INTERVAL_S = 30.0
DAMP = HeatingRule(above_pct=80.0)


class SetClock:
    """The board's clock on simulated time; ``known`` says whether UTC is."""

    def __init__(self, time: SetTime) -> None:
        self._time = time
        self.known = True
        self.boot = "one"
        self.anchor: Anchor | None = None

    def resume(self, anchor: Anchor | None) -> None:
        self.anchor = anchor or self.anchor

    def now(self) -> Moment:
        boot_ms = round(self._time.now_s() * 1000)
        return Moment(self.boot, boot_ms, START_MS + boot_ms if self.known else None)


class Board:
    """A simulated board: air, chip, bus, buffer and sampler."""

    def __init__(self, folder: Path, kind: str = "sht4x", rule: HeatingRule | None = None) -> None:
        self.rule = rule or HeatingRule()
        self.time = SetTime()
        self.air = (21.0, 55.0, 101_325.0)
        make = {"sht3x": SimulatedSht3x, "sht4x": SimulatedSht4x, "bme280": SimulatedBme280}[kind]
        self.there = make(self.time, lambda: self.air)
        self.kind = KINDS[kind]
        self.address = self.kind.addresses[0]
        self.bus = SimulatedBus({self.address: self.there})
        self.clock = SetClock(self.time)
        self.path = folder / "buffer.sqlite"
        self.begin()

    def begin(self) -> None:
        """As a new process begins."""
        self.buffer = Buffer(self.path, 100_000, 1e9)
        source = Source(lambda: self.bus, self.made, self.time.sleep)
        self.sampler = Sampler(source, self.buffer, self.clock, self.rule)

    def made(self, bus: Bus) -> Chip:
        return self.kind.make(bus, self.address, self.time.sleep)

    def turns(self, count: int, each: Callable[[int], None] = lambda _: None) -> list[Outcome]:
        outcomes = []
        for number in range(count):
            each(number)
            due_s = self.time.now_s() + INTERVAL_S
            outcomes.append(self.sampler.turn())
            self.time.sleep(max(0.0, due_s - self.time.now_s()))
        return outcomes

    def kept(self) -> list[Kept]:
        return self.buffer.oldest(100_000)


@pytest.mark.parametrize("kind", list(KINDS))
def test_each_kind_is_read_turn_by_turn(tmp_path: Path, kind: str) -> None:
    board = Board(tmp_path, kind)
    assert board.turns(20) == [Outcome.KEPT] * 20
    kept = board.kept()
    # Noise of three steps at most, and integers against floats.
    assert all(k.air_c == pytest.approx(21.0, abs=0.012) for k in kept)
    assert all(k.rh_pct == pytest.approx(55.0, abs=0.08) for k in kept)
    assert all((k.pressure_pa is None) == (kind != "bme280") for k in kept)
    spacing = [b.at_ms - a.at_ms for a, b in itertools.pairwise(kept)]
    assert all(s == pytest.approx(30_000, abs=100) for s in spacing)


@pytest.mark.parametrize("kind", list(KINDS))
def test_one_missing_answer_is_tried_again(tmp_path: Path, kind: str) -> None:
    board = Board(tmp_path, kind)
    board.turns(1)
    for transfer in range(4):
        board.bus.nacks = 0
        skip = transfer

        def garble(answer: bytes) -> bytes:
            nonlocal skip
            skip -= 1
            if skip < 0:
                board.bus.garble = bytes
                return bytes(byte ^ 0x10 for byte in answer)
            return answer

        board.bus.garble = garble
        assert board.turns(1) == [Outcome.KEPT]
        board.bus.nacks = 1
        assert board.turns(1) == [Outcome.KEPT]
    assert all(k.air_c == pytest.approx(21.0, abs=0.012) for k in board.kept())


@pytest.mark.parametrize("kind", ["sht3x", "sht4x"])
def test_a_line_full_of_flips_is_never_published(tmp_path: Path, kind: str) -> None:
    board = Board(tmp_path, kind)
    board.turns(1)

    def noisy(number: int) -> None:
        board.bus.garble = flipping(1 + number % 3, number)

    assert board.turns(200, noisy) == [Outcome.FAILED] * 200
    board.bus.garble = bytes
    assert board.turns(1) == [Outcome.KEPT]
    assert len(board.kept()) == 2


def test_a_chip_that_hangs_is_reset_within_the_turn(tmp_path: Path) -> None:
    board = Board(tmp_path, "sht4x")
    assert isinstance(board.there, SimulatedSht4x)
    board.turns(1)
    board.there.hung = True
    assert board.turns(1) == [Outcome.KEPT]


@pytest.mark.parametrize("kind", ["sht3x", "sht4x"])
@pytest.mark.parametrize("seed", range(3))
def test_in_a_storm_of_faults_only_the_air_is_published(
    tmp_path: Path, kind: str, seed: int
) -> None:
    board = Board(tmp_path, kind, DAMP)
    draw = random.Random(seed)
    faults = 0

    def storm(_: int) -> None:
        nonlocal faults
        board.air = (draw.uniform(10, 30), draw.uniform(60, 99), 101_325.0)
        board.bus.nacks = draw.choice((0, 0, 1, 2, 9))
        board.bus.broken = draw.random() < 0.05
        board.bus.chips = {} if draw.random() < 0.05 else {board.address: board.there}
        # Up to three bits, which the checksum finds without fail; more would pass once in 256.
        bits, often = draw.randint(1, 3), draw.choice((0.0, 0.0, 0.3, 1.0))
        flip = flipping(bits, draw.randrange(2**32))
        board.bus.garble = lambda answer: flip(answer) if draw.random() < often else answer
        faults += bool(board.bus.nacks or board.bus.broken or not board.bus.chips or often)
        airs.append(board.air)

    airs: list[tuple[float, float, float]] = []
    outcomes = board.turns(400, storm)
    kept = board.kept()
    true = [air for air, out in zip(airs, outcomes, strict=True) if out is Outcome.KEPT]
    assert len(kept) == len(true)
    assert faults > 200
    assert 50 < len(kept) < 400  # that the storm neither stops it nor spares it
    for reading, air in zip(kept, true, strict=True):
        assert reading.air_c == pytest.approx(air[0], abs=0.012)
        assert reading.rh_pct == pytest.approx(air[1], abs=0.03)


@pytest.mark.parametrize("kind", list(KINDS))
def test_pulled_out_and_put_in_again(tmp_path: Path, kind: str) -> None:
    board = Board(tmp_path, kind)
    board.turns(3)
    board.bus.chips = {}
    assert board.turns(10) == [Outcome.FAILED] * 10
    board.bus.chips = {board.address: board.there}
    board.bus.broken = True
    assert board.turns(10) == [Outcome.FAILED] * 10
    board.bus.broken = False
    assert board.turns(3) == [Outcome.KEPT] * 3
    assert len(board.kept()) == 6


def test_a_bus_that_cannot_be_opened_is_tried_at_each_turn(tmp_path: Path) -> None:
    board = Board(tmp_path)
    tries = 0

    def open_bus() -> Bus:
        nonlocal tries
        tries += 1
        if tries < 4:
            raise BusError("/dev/i2c-1: no such file")
        return board.bus

    source = Source(open_bus, board.made, board.time.sleep)
    board.sampler = Sampler(source, board.buffer, board.clock, board.rule)
    assert board.turns(4) == [Outcome.FAILED] * 3 + [Outcome.KEPT]


def test_a_chip_that_lost_power_is_set_up_again(tmp_path: Path) -> None:
    board = Board(tmp_path, "bme280")
    assert isinstance(board.there, SimulatedBme280)
    board.turns(2)
    board.there.brown_out()
    assert board.turns(2) == [Outcome.KEPT] * 2
    assert all(k.rh_pct == pytest.approx(55.0, abs=0.08) for k in board.kept())


class TestStuck:
    def test_a_chip_that_repeats_itself_is_found_and_released(self, tmp_path: Path) -> None:
        board = Board(tmp_path, "sht4x")
        assert isinstance(board.there, SimulatedSht4x)
        board.turns(5)
        board.there.stuck = (25_000, 30_000)
        outcomes = board.turns(50)
        assert outcomes == [Outcome.KEPT] * 20 + [Outcome.FAILED] * 30
        board.there.stuck = None
        assert board.turns(3) == [Outcome.KEPT] * 3

    def test_a_month_of_still_air_is_not_taken_for_stuck(self) -> None:
        # Noise of one step up or down only, far less than any of the chips has.
        time = SetTime()
        chip = KINDS["sht4x"].make(
            SimulatedBus({0x44: SimulatedSht4x(time, lambda: (21.0, 50.0, 0.0), noise=2)}),
            0x44,
            time.sleep,
        )
        guard = StuckGuard()
        for _ in range(30 * 24 * 60):
            guard.pass_on(chip.measure())

    def test_it_names_what_it_saw(self) -> None:
        guard = StuckGuard(most=2)
        same = Measurement(21.0, 50.0, (1, 2))
        guard.pass_on(same)
        guard.pass_on(same)
        with pytest.raises(ImplausibleError, match=r"3 times running \(21\.00 °C, 50\.0 %\)"):
            guard.pass_on(same)
        guard.pass_on(Measurement(21.0, 50.0, (1, 3)))


class TestHeating:
    def test_is_due_after_half_an_hour_of_damp_and_then_once_an_hour(self) -> None:
        state = HeatingState()
        due = []
        for second in range(0, 4 * 3600, 30):
            state = seen(state, DAMP, 85.0, float(second))
            if is_due(state, DAMP, float(second)):
                due.append(second)
                state = HeatingState(state.damp_since_s, float(second))
        assert due == [1800, 5400, 9000, 12_600]

    def test_a_dry_moment_begins_the_wait_anew(self) -> None:
        state = seen(HeatingState(), DAMP, 85.0, 0.0)
        state = seen(state, DAMP, 79.9, 900.0)
        state = seen(state, DAMP, 85.0, 930.0)
        assert not is_due(state, DAMP, 1800.0)
        assert is_due(state, DAMP, 2730.0)

    def test_never_without_a_bound(self) -> None:
        state = seen(HeatingState(), HeatingRule(), 100.0, 0.0)
        assert not is_due(state, HeatingRule(), 1e9)

    def test_settles(self) -> None:
        assert not is_settling(HeatingState(), DAMP, 0.0)
        assert is_settling(HeatingState(heated_s=100.0), DAMP, 159.9)
        assert not is_settling(HeatingState(heated_s=100.0), DAMP, 160.0)

    @pytest.mark.parametrize("kind", ["sht3x", "sht4x"])
    def test_nothing_warm_is_published(self, tmp_path: Path, kind: str) -> None:
        board = Board(tmp_path, kind, DAMP)
        board.air = (18.0, 92.0, 101_325.0)
        outcomes = board.turns(4 * 120)  # four hours
        # A minute after each of the four pulses: one or two turns of 30 s.
        settling = outcomes.count(Outcome.SETTLING)
        assert 4 <= settling <= 8
        kept = board.kept()
        assert len(kept) == len(outcomes) - settling
        # The simulated chip is 40 K (3 K) too warm after the pulse and cools with 6 s, so that
        # e^-10 of it is left after a minute: 2 mK. Noise is 8 mK.
        assert max(k.air_c for k in kept) < 18.0 + 0.012
        assert min(k.rh_pct for k in kept) > 92.0 - 0.03
        assert isinstance(board.there, SimulatedSht3x) or board.there.pulses == 4  # type: ignore[union-attr]

    def test_dry_air_is_never_heated(self, tmp_path: Path) -> None:
        board = Board(tmp_path, "sht4x", DAMP)
        assert isinstance(board.there, SimulatedSht4x)
        board.turns(300)
        assert board.there.pulses == 0

    @pytest.mark.parametrize("kind", ["sht3x", "sht4x"])
    def test_killed_during_the_pulse_it_still_publishes_nothing_warm(
        self, tmp_path: Path, kind: str
    ) -> None:
        board = Board(tmp_path, kind, DAMP)
        board.air = (18.0, 92.0, 101_325.0)

        class KilledError(BaseException):
            pass

        asleep = board.time.sleep

        def killing(seconds: float) -> None:
            if seconds > 1:
                raise KilledError
            asleep(seconds)

        board.made = lambda bus: board.kind.make(bus, board.address, killing)  # type: ignore[method-assign]
        board.begin()
        with pytest.raises(KilledError):
            board.turns(120)
        # The heater of the SHT3x would go out in the driver's own clean-up; a kill gives it none.
        if isinstance(board.there, SimulatedSht3x):
            board.there.write(bytes.fromhex("306d"))
        before = len(board.kept())
        board.made = lambda bus: board.kind.make(bus, board.address, asleep)  # type: ignore[method-assign]
        board.begin()
        board.time.sleep(1.0)
        outcomes = board.turns(10)
        assert outcomes[0] is Outcome.SETTLING
        assert outcomes[-1] is Outcome.KEPT
        fresh = board.kept()[before:]
        assert max(k.air_c for k in fresh) < 18.0 + 0.012

    def test_a_heater_left_on_by_another_is_no_reading_until_it_has_cooled(
        self, tmp_path: Path
    ) -> None:
        board = Board(tmp_path, "sht3x", DAMP)
        board.turns(3)
        board.there.write(bytes.fromhex("306d"))
        outcomes = board.turns(12)
        assert outcomes[0] is Outcome.FAILED
        assert outcomes[-1] is Outcome.KEPT
        assert max(k.air_c for k in board.kept()) < 21.0 + 0.012

    def test_a_chip_without_a_heater_gives_no_pulse(self, tmp_path: Path) -> None:
        board = Board(tmp_path, "bme280", DAMP)
        assert board.made(board.bus).heat() is None


def test_measured_before_the_time_is_known_and_dated_afterwards(tmp_path: Path) -> None:
    board = Board(tmp_path)
    board.clock.known = False
    board.turns(10)
    assert board.kept() == []
    board.clock.known = True
    board.turns(1)
    kept = board.kept()
    assert len(kept) == 11
    spacing = [b.at_ms - a.at_ms for a, b in itertools.pairwise(kept)]
    assert all(s == pytest.approx(30_000, abs=100) for s in spacing)


def test_the_simulated_checksums_are_not_the_drivers() -> None:
    # Data sheet SHT3x-DIS, table 20.
    assert framed(0xBEEF) == bytes.fromhex("beef92")
