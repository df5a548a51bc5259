"""Batches into a real database: one commit, then acknowledgements; what fails is tried again."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from datetime import timedelta

import databases
import pytest
from equipment import SetClock, eventually
from sqlmodel import select

from sensors.payloads import MAX_PAYLOAD_BYTES, encode
from service.intake import committer as committing
from service.intake import readers as reading
from service.intake import sorter as sorting
from service.intake.arrivals import Arrival
from service.intake.committer import Committer
from service.intake.inbox import Inbox, OneInbox
from service.intake.readers import Readers
from service.intake.sorter import Sorter
from service.store import db as store_db
from service.store import readings, rejects
from service.store.db import Database
from service.store.readings import Recorded
from service.store.tables import Reading


class Bench:
    """A committer with everything that it tells."""

    def __init__(self, database: Database, clock: SetClock) -> None:
        self.database, self.clock = database, clock
        self.told: list[Recorded] = []
        self.listener: Callable[[Recorded], None] = self.told.append
        self.recovered = 0
        self.acknowledged: list[int] = []
        self.lock = threading.Lock()
        self.committer = Committer(
            OneInbox(Inbox(database, Sorter(Readers()), lambda told: self.listener(told))),
            clock,
            on_recovered=self._recovered,
            on_lost=self._lost,
        )
        self.lost = 0

    def _lost(self) -> None:
        self.lost += 1

    def _recovered(self) -> None:
        self.recovered += 1

    def send(
        self,
        number: int,
        payload: bytes | None = None,
        *,
        sensor: str = "wall",
        waited: bool = False,
    ) -> None:
        at = self.clock.now() + timedelta(seconds=number - 3600)
        body = encode(at=at, air_c=20.0, rh_pct=50.0) if payload is None else payload
        arrival = Arrival(
            topic=f"boothglass/booth/{sensor}",
            payload=body,
            size_bytes=len(body),
            received_at=self.clock.now(),
            waited=waited,
            acknowledge=lambda: self.acknowledged.append(number),
        )
        assert self.committer.offer(arrival, 5.0)

    def kept(self) -> int:
        with self.database.read() as session:
            return len(session.exec(select(Reading)).all())

    def reasons(self) -> list[tuple[str, str]]:
        with self.database.read() as session:
            return [(r.field, r.reason) for r in rejects.recent(session, 1000)]


@pytest.fixture
def bench(database: Database, clock: SetClock) -> Iterator[Bench]:
    made = Bench(database, clock)
    yield made
    made.committer.stop()


def test_a_batch_is_one_commit_and_then_acknowledged(bench):
    for number in range(100):
        bench.send(number)
    bench.committer.start()
    eventually(lambda: len(bench.acknowledged) == 100)
    assert bench.acknowledged == list(range(100))
    assert bench.kept() == 100
    assert [told.new for told in bench.told] == [100]
    assert bench.committer.counters.recorded == 100
    assert bench.committer.last_commit_at == bench.clock.now()


def test_batches_are_bounded(bench, monkeypatch):
    monkeypatch.setattr(committing, "BATCH_MOST", 40)
    for number in range(100):
        bench.send(number)
    bench.committer.start()
    eventually(lambda: len(bench.acknowledged) == 100)
    assert [told.new for told in bench.told] == [40, 40, 20]


def test_good_ones_land_among_bad_ones_and_all_are_acknowledged(bench):
    bench.send(1)
    bench.send(2, b"{not json")
    bench.send(3)
    bench.send(4, b'{"air_c":20,"rh_pct":140}')
    bench.send(5, b'{"air_c":20,"rh_pct":50}', waited=True)
    bench.send(6)
    bench.committer.start()
    eventually(lambda: len(bench.acknowledged) == 6)
    assert bench.kept() == 3
    assert sorted(field for field, _ in bench.reasons()) == ["at", "payload", "rh_pct"]
    assert bench.committer.counters.rejected == 3


def test_of_a_pack_the_plausible_reports_land(bench):
    pack = (
        b'[{"bt":1772438400,"n":"air","v":20},{"n":"rh","v":50},'
        b'{"t":60,"n":"air","v":99},{"t":60,"n":"rh","v":50}]'
    )
    bench.send(1, pack)
    bench.committer.start()
    eventually(lambda: bench.acknowledged == [1])
    assert bench.kept() == 1
    assert bench.reasons() == [("air_c", "99 is outside -40 to 60 °C")]


def test_a_payload_that_was_cut_on_arrival_is_told_by_its_full_size(bench):
    arrival = Arrival(
        topic="boothglass/booth/wall",
        payload=b"{" + b" " * (MAX_PAYLOAD_BYTES - 1),
        size_bytes=10_000_000,
        received_at=bench.clock.now(),
    )
    bench.committer.offer(arrival, 0.0)
    bench.committer.start()
    eventually(lambda: bench.reasons())
    assert bench.reasons() == [("payload", "10000000 bytes; 65536 at most")]


def test_duplicates_are_acknowledged_and_told_to_nobody(bench):
    bench.send(1)
    bench.committer.start()
    eventually(lambda: len(bench.acknowledged) == 1)
    bench.send(1)
    eventually(lambda: len(bench.acknowledged) == 2)
    assert bench.kept() == 1
    assert bench.committer.counters.duplicates == 1
    assert len(bench.told) == 1


def test_one_sensor_too_many_is_set_aside(bench, monkeypatch):
    monkeypatch.setattr(readings, "MOST_SENSORS", 2)
    for number, sensor in enumerate(["a", "b", "c", "a"]):
        bench.send(number, sensor=sensor)
    bench.committer.start()
    eventually(lambda: len(bench.acknowledged) == 4)
    assert bench.kept() == 3
    assert bench.reasons() == [("sensor", "is new, and 2 are known: too many for a shop")]


def test_no_room_is_said_so(bench, monkeypatch):
    monkeypatch.setattr(committing, "WAITING_MOST", 3)
    small = Bench(bench.database, bench.clock)
    for number in range(3):
        small.send(number)
    arrival = Arrival("boothglass/booth/wall", b"{}", 2, bench.clock.now())
    assert not small.committer.offer(arrival, 0.0)
    assert not small.committer.offer(arrival, 0.3)
    assert small.committer.waiting == 3
    small.committer.start()
    eventually(lambda: small.committer.offer(arrival, 1.0))
    small.committer.stop()


def test_a_listener_that_fails_loses_nothing(bench):
    def fail(_recorded: Recorded) -> None:
        raise RuntimeError("the page is gone")

    bench.listener = fail
    bench.send(1)
    bench.committer.start()
    eventually(lambda: bench.acknowledged == [1])
    bench.send(2)
    eventually(lambda: bench.acknowledged == [1, 2])
    assert bench.kept() == 2
    assert bench.committer.last_error == "RuntimeError: the page is gone"
    assert bench.committer.problem is None


def test_a_message_that_no_database_takes_is_set_aside_alone(bench, monkeypatch):
    # The check lets it through, as a fault in it might; the column then refuses the naive instant.
    real = sorting.checked

    def careless(report, **how):
        reading = real(report, **how)
        if reading.sensor == "cursed":
            naive = reading.received_at.replace(tzinfo=None)
            return reading._replace(received_at=naive)
        return reading

    monkeypatch.setattr(sorting, "checked", careless)
    for number in range(5):
        bench.send(number, sensor="cursed" if number == 2 else "wall")
    bench.committer.start()
    eventually(lambda: len(bench.acknowledged) == 5)
    assert bench.kept() == 4
    ((field, reason),) = bench.reasons()
    assert field == "payload"
    assert reason.startswith("could not be recorded")
    assert bench.committer.problem is None


def test_a_fault_in_the_decoder_sets_one_message_aside(bench, monkeypatch):
    real = reading.decode

    def faulty(topic, payload, received_at):
        if topic.endswith("cursed"):
            raise KeyError("surprise")
        return real(topic, payload, received_at)

    monkeypatch.setattr(reading, "decode", faulty)
    for number in range(3):
        bench.send(number, sensor="cursed" if number == 1 else "wall")
    bench.committer.start()
    eventually(lambda: len(bench.acknowledged) == 3)
    assert bench.kept() == 2
    assert bench.reasons() == [("payload", "could not be read: KeyError")]


def test_an_error_nobody_foresaw_in_a_commit_is_tried_again(bench, monkeypatch):
    real, failures = readings.record_batch, iter([RuntimeError("surprise")])

    def once_broken(session, batch):
        for failure in failures:
            raise failure
        return real(session, batch)

    monkeypatch.setattr(readings, "record_batch", once_broken)
    bench.send(1)
    bench.committer.start()
    eventually(lambda: bench.acknowledged == [1])
    assert bench.kept() == 1
    assert bench.committer.last_error == "RuntimeError: surprise"
    assert bench.committer.problem is None


def test_an_error_anywhere_else_costs_a_restart_and_the_work_goes_on(bench):
    def fail() -> None:
        raise RuntimeError("the connection is gone")

    odd = Arrival("boothglass/booth/wall", b"{}", 2, bench.clock.now(), acknowledge=fail)
    bench.committer.offer(odd, 1.0)
    bench.committer.start()
    eventually(lambda: bench.lost == 1)  # the broker is asked for it again
    assert bench.committer.restarts == 1
    bench.send(1)
    eventually(lambda: bench.acknowledged == [1])
    eventually(lambda: bench.committer.problem is None)


@pytest.fixture
def impatient_bench(
    data_folder, database: Database, clock: SetClock, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Bench]:
    """A bench whose database gives up on a lock after a tenth of a second."""
    monkeypatch.setattr(store_db, "BUSY_TIMEOUT_MS", 100)
    impatient = Database(databases.address(data_folder))
    made = Bench(impatient, clock)
    made.committer.start()
    yield made
    made.committer.stop()
    impatient.dispose()


@pytest.mark.real
def test_a_locked_database_holds_back_the_acknowledgement_and_nothing_is_lost(
    impatient_bench, data_folder
):
    bench = impatient_bench
    bench.send(1)
    eventually(lambda: bench.acknowledged == [1])
    with databases.locked(data_folder):
        bench.send(2)
        eventually(lambda: bench.committer.problem is not None)
        assert "lock" in bench.committer.problem
        bench.send(3)
        assert bench.acknowledged == [1]
    eventually(lambda: bench.acknowledged == [1, 2, 3])
    assert bench.kept() == 3
    assert bench.committer.problem is None
    assert bench.recovered == 1


@pytest.mark.real
def test_stopping_while_the_database_is_locked_acknowledges_nothing(impatient_bench, data_folder):
    bench = impatient_bench
    with databases.locked(data_folder):
        bench.send(1)
        eventually(lambda: bench.committer.problem is not None)
        bench.committer.stop()
    assert bench.acknowledged == []
