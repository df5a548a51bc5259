"""The buffer, the clock and the stamps: nothing lost, nothing twice, nothing with a wrong time."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensors.node.buffer import Buffer, StorageDamagedError, StorageError
from sensors.node.chip import Measurement
from sensors.node.clock import EARLIEST_UTC_MS, Anchor, BoardClock, Moment, kernel_is_disciplined
from sensors.node.forwarder import payload_of
from sensors.node.stamp import GRID_MS, NO_STAMP, stamped

START_MS = 1_772_442_000_000  # 2026-03-02T09:00:00Z


def made(number: float) -> Measurement:
    return Measurement(20.0 + number / 1000, 50.0, (int(number), 0))


def at(second: float, boot: str = "one", *, utc: bool = True) -> Moment:
    return Moment(boot, round(second * 1000), START_MS + round(second * 1000) if utc else None)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "state" / "buffer.sqlite"


def opened(path: Path, most_rows: int = 1000, longest_s: float = 1e6) -> Buffer:
    return Buffer(path, most_rows, longest_s)


class TestStamps:
    @given(st.lists(st.integers(-(10**7), 10**7), min_size=1, max_size=90))
    def test_are_never_the_same_twice_however_the_clock_is_set(self, steps: list[int]) -> None:
        # At most 89 steps, fewer than the hundred turns that the digits tell apart.
        utc_ms, last, given_out = START_MS, NO_STAMP, []
        for step in steps:
            utc_ms += step
            last = stamped(last, utc_ms)
            assert abs(last.at_ms - utc_ms) <= GRID_MS
            given_out.append(last.at_ms)
        assert len(set(given_out)) == len(given_out)

    def test_ten_years_of_a_steady_clock_take_one_turn(self) -> None:
        last = NO_STAMP
        for number in range(10_000):
            last = stamped(last, START_MS + 30_000 * number + number % 7)
        assert last.turn == 0

    def test_going_over_the_same_hour_again_gives_other_stamps(self) -> None:
        first, second, last = [], [], NO_STAMP
        for hour in (first, second):
            for number in range(3600):
                last = stamped(last, START_MS + 1000 * number)
                hour.append(last.at_ms)
        assert not set(first) & set(second)
        assert first == sorted(first)
        assert second == sorted(second)


class TestClock:
    def clock(self, *, trusted: bool = False) -> tuple[dict[str, int], BoardClock]:
        kernel = {"disciplined": 0, "utc_ms": 0, "boot_ms": 5000}
        clock = BoardClock(
            trusted=trusted,
            is_disciplined=lambda: bool(kernel["disciplined"]),
            utc_ns=lambda: kernel["utc_ms"] * 1_000_000,
            boot_ns=lambda: kernel["boot_ms"] * 1_000_000,
            boot="this",
        )
        return kernel, clock

    def test_no_time_before_the_network_has_set_it(self) -> None:
        kernel, clock = self.clock()
        kernel["utc_ms"] = START_MS
        assert clock.now() == Moment("this", 5000, None)
        kernel["disciplined"] = 1
        assert clock.now() == Moment("this", 5000, START_MS)

    @pytest.mark.parametrize("trusted", [False, True])
    def test_a_board_that_wakes_in_the_past_has_no_time(self, *, trusted: bool) -> None:
        kernel, clock = self.clock(trusted=trusted)
        kernel.update(utc_ms=EARLIEST_UTC_MS - 1, disciplined=1)
        assert clock.now().utc_ms is None

    def test_the_time_is_carried_on_when_the_network_goes(self) -> None:
        kernel, clock = self.clock()
        kernel.update(utc_ms=START_MS, disciplined=1)
        clock.now()
        # Ten hours without a network: the kernel gives up, and somebody sets the clock wrong.
        kernel.update(utc_ms=START_MS - 10**9, disciplined=0, boot_ms=5000 + 36_000_000)
        assert clock.now().utc_ms == START_MS + 36_000_000

    def test_an_anchor_outlives_the_process_but_not_the_boot(self) -> None:
        _, clock = self.clock()
        clock.resume(Anchor("another", 1000, START_MS))
        assert clock.now().utc_ms is None
        clock.resume(Anchor("this", 1000, START_MS))
        assert clock.now().utc_ms == START_MS + 4000

    def test_a_trusted_clock_is_taken_as_it_is(self) -> None:
        kernel, clock = self.clock(trusted=True)
        kernel["utc_ms"] = START_MS
        assert clock.now().utc_ms == START_MS

    def test_the_kernel_answers(self) -> None:
        # Which answer depends on the machine; the running clock is this machine's own.
        assert kernel_is_disciplined() in (True, False)
        one, two = BoardClock().now(), BoardClock().now()
        assert one.boot == two.boot
        assert one.boot_ms <= two.boot_ms


class TestBuffer:
    def test_what_is_kept_comes_back_in_order(self, path: Path) -> None:
        buffer = opened(path)
        for number in range(50):
            buffer.keep(made(number), at(30 * number))
        first = buffer.oldest(20)
        assert [kept.at_ms for kept in first] == [START_MS + 30_000 * n for n in range(20)]
        assert [kept.air_c for kept in first] == [made(n).air_c for n in range(20)]
        buffer.forget(first)
        assert buffer.oldest(1)[0].at_ms == START_MS + 30_000 * 20
        assert buffer.counts().waiting == 30

    def test_it_is_there_for_another_process_at_once(self, path: Path) -> None:
        buffer = opened(path)
        buffer.keep(made(1), at(1))
        assert opened(path).oldest(9) == buffer.oldest(9)

    def test_payload(self, path: Path) -> None:
        buffer = opened(path)
        buffer.keep(Measurement(21.5, 47.25, (1, 2), 99_812.34), at(0.0))
        assert json.loads(payload_of(buffer.oldest(1)[0])) == {
            "at": "2026-03-02T09:00:00.000Z",
            "air_c": 21.5,
            "rh_pct": 47.25,
            "pressure_pa": 99_812.3,
        }

    def test_the_oldest_is_given_up_for_room_and_counted(self, path: Path) -> None:
        buffer = opened(path, most_rows=10)
        for number in range(25):
            buffer.keep(made(number), at(number))
        counts = buffer.counts()
        assert (counts.waiting, counts.dropped) == (10, 15)
        assert [kept.air_c for kept in buffer.oldest(99)] == [made(n).air_c for n in range(15, 25)]

    def test_what_is_too_old_is_given_up_and_counted(self, path: Path) -> None:
        buffer = opened(path, longest_s=60)
        for second in (0, 30, 61, 62, 91):
            buffer.keep(made(second), at(second))
        assert [kept.at_ms - START_MS for kept in buffer.oldest(9)] == [61_000, 62_000, 91_000]
        assert buffer.counts().dropped == 2

    def test_measured_before_the_time_was_known(self, path: Path) -> None:
        buffer = opened(path)
        for second in (10, 40, 70):
            buffer.keep(made(second), at(second, utc=False))
        assert buffer.oldest(9) == []
        assert buffer.counts().undated == 3
        buffer.keep(made(100), at(100))
        kept = buffer.oldest(9)
        assert [k.at_ms - START_MS for k in kept] == [10_000, 40_000, 70_000, 100_000]
        assert [k.air_c for k in kept] == [made(n).air_c for n in (10, 40, 70, 100)]

    def test_measured_before_a_restart_without_the_time_is_given_up_and_counted(
        self, path: Path
    ) -> None:
        buffer = opened(path)
        buffer.keep(made(1), at(10, utc=False))
        buffer.keep(made(2), at(5, "two", utc=False))
        buffer.keep(made(3), at(9, "two"))
        assert [kept.air_c for kept in buffer.oldest(9)] == [made(2).air_c, made(3).air_c]
        assert buffer.counts().undatable == 1

    def test_a_clock_that_is_set_back_gives_no_instant_twice_also_over_a_restart(
        self, path: Path
    ) -> None:
        seen: list[int] = []
        for attempt in range(5):  # the same hour five times, with what is delivered forgotten
            buffer = opened(path)
            for minute in range(60):
                buffer.keep(made(attempt), at(60 * minute))
            kept = buffer.oldest(99)
            seen += [k.at_ms for k in kept]
            buffer.forget(kept)
            buffer.close()
        assert len(set(seen)) == 300

    def test_a_full_disk_is_an_error_that_passes(self, path: Path) -> None:
        buffer = opened(path)
        buffer.keep(made(1), at(1))
        # SQLite's own bound on pages gives what a full disk gives: SQLITE_FULL.
        (pages,) = buffer._db.execute("PRAGMA page_count").fetchone()
        buffer._db.execute(f"PRAGMA max_page_count={pages}")

        def fill() -> None:
            for number in range(2000):
                buffer.keep(made(number), at(number))

        with pytest.raises(StorageError, match=r"buffer\.sqlite: database or disk is full"):
            fill()
        waiting = buffer.counts().waiting
        buffer._db.execute("PRAGMA max_page_count=100000")
        buffer.keep(made(9), at(9))
        assert buffer.counts().waiting == waiting + 1

    def test_a_locked_file_is_an_error_that_passes(
        self, path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr("sensors.node.buffer.LOCKED_FOR_S", 0.1)
        buffer = opened(path)
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StorageError, match="locked"):
            buffer.keep(made(1), at(1))
        other.execute("ROLLBACK")
        other.close()
        buffer.keep(made(1), at(1))
        assert buffer.counts().waiting == 1

    def test_a_damaged_file_is_set_aside_at_the_next_start(self, path: Path) -> None:
        buffer = opened(path)
        for number in range(500):
            buffer.keep(made(number), at(number))
        buffer.close()
        raw = bytearray(path.read_bytes())
        raw[4096 : len(raw) - 4096] = b"\x55" * (len(raw) - 8192)
        path.write_bytes(raw)
        fresh = opened(path)
        fresh.keep(made(1), at(1))
        assert fresh.counts().waiting == 1
        assert path.with_name("buffer.sqlite.damaged-1").exists()

    def test_damage_while_it_runs_is_told_apart_from_what_passes(self, path: Path) -> None:
        buffer = opened(path)
        for number in range(500):
            buffer.keep(made(number), at(number))
        buffer._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        raw = bytearray(path.read_bytes())
        raw[4096:] = b"\x55" * (len(raw) - 4096)
        path.write_bytes(raw)
        other = sqlite3.connect(path)  # moves the file on, so that nothing is taken from memory
        other.close()
        buffer._db.execute("PRAGMA cache_size=0")
        buffer._db.execute("PRAGMA shrink_memory")
        with pytest.raises(StorageDamagedError):
            buffer.counts()

    def test_a_folder_that_cannot_be_made_is_named(self, tmp_path: Path) -> None:
        (tmp_path / "file").write_text("")
        with pytest.raises(StorageError, match="file"):
            opened(tmp_path / "file" / "buffer.sqlite")

    def test_anchor_and_heating_are_noted(self, path: Path) -> None:
        buffer = opened(path)
        assert buffer.anchor() is None
        buffer.note_anchor(None)
        buffer.note_anchor(Anchor("one", 1000, START_MS))
        buffer.note_anchor(Anchor("one", 2000, START_MS + 1000))  # within the hour: kept as it is
        assert opened(path).anchor() == Anchor("one", 1000, START_MS)
        buffer.note_anchor(Anchor("one", 2000, START_MS + 9_000_000))  # stepped
        assert opened(path).anchor() == Anchor("one", 2000, START_MS + 9_000_000)
        buffer.note_heated(at(7))
        assert opened(path).heated_ms("one") == 7000
        assert opened(path).heated_ms("two") is None
