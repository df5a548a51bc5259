"""A shop served by several workers, to break: its server, broker, sensors, people; and books kept.

PostgreSQL runs as in a shop: what it has committed lies on the disk. Mosquitto writes its sessions
down after every change. It tells a sensor that it has taken a reading before it has written that
down, and forgets shared subscriptions over a restart; so what it took from :data:`DOUBT_S` before
it was killed until all workers were back is counted apart, if it is nowhere.
"""

from __future__ import annotations

import contextlib
import json
import random
import signal
import threading
import time
import urllib.error
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import databases
import paho.mqtt.client as mqtt
from crew import Crew, end
from equipment import Mosquitto, eventually
from receiver import Receiver
from rig import LONG_S, Key, Publisher, Sensors, lasting_client
from sqlalchemy import create_engine, pool
from sqlalchemy.exc import OperationalError

BROKER = ("autosave_on_changes true", "autosave_interval 1")

DOUBT_S = 2.0
"""Seconds before a broker is killed of which it may have forgotten what it took."""

LEASE_S = 120.0
"""For so long a message stays with a sender that has died (service.store.outbox)."""

LIVE = "boothglass/bench/live"
A_SECOND = 40.0
"""Readings of days ago that are sent each second, beside one of now."""

UNDER_WAY = 6
"""Pieces of work that are under way at once; each tells of itself as soon as it is coated."""


TO_DO = {
    "hours to settle": "select * from unsettled",
    "notices to tell": "select id from notice where told_at is null",
    "notices to publish": "select id from notice where published_at is null",
    "deliveries": "select * from delivery where state = 'waiting'",
    "coats to tell of": (
        "select id from coat where not exists (select from notice where notice.coat_id = coat.id)"
    ),
}


@dataclass(frozen=True)
class Outcome:
    """What became of everything after all strikes."""

    taken: int
    """Readings that the broker took."""
    lost: int
    """Of these: nowhere, though the broker had had time to write them down."""
    twice: int
    broker_lost: int
    """Nowhere, and taken just before the broker was killed."""
    taps: int
    """Coats that the service said it had recorded."""
    taps_lost: int
    due: int
    """Notices that were due: one a coat."""
    not_written: int
    written_twice: int
    notices: int
    """All of the record."""
    heard_lost: int
    """Notices of the record that were not heard on MQTT, nor published just before a kill."""
    heard_broker_lost: int
    heard_again: int
    """How often one was heard once more, under the same id."""
    posted_lost: int
    """Notices of the record that did not come by the person's webhook."""
    posted_twice: int
    """Those that came in more than one delivery."""
    posted_again: int
    """How often a delivery came once more, under the same id."""
    equal: bool
    """Whether ``boothglass rebuild --check`` finds everything as it should be."""
    whole_after_s: float

    @property
    def good(self) -> bool:
        wrong = (
            self.lost, self.twice, self.taps_lost, self.not_written, self.written_twice,
            self.heard_lost, self.posted_lost, self.posted_twice,
        )  # fmt: skip
        return not any(wrong) and self.equal


class Ear:
    """Another tool that hears every notice on MQTT, and was heard by the broker before."""

    def __init__(self, broker: Mosquitto) -> None:
        self.ids: Counter[int] = Counter()
        self._stands = threading.Event()
        self._client = client = lasting_client(broker, "ear")
        client.on_connect = lambda *_: client.subscribe("boothglass/notices/#", qos=1)
        client.on_subscribe = lambda *_: self._stands.set()
        client.on_message = self._on_message
        client.loop_start()
        assert self._stands.wait(30)

    def stop(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        self.ids[int(json.loads(message.payload)["id"])] += 1


class CrewRig:
    """Everything together: load, strikes, recovery, and the counting afterwards."""

    def __init__(self, folder: Path, seed: int, *, workers: int = 2) -> None:
        self.rnd, self.workers = random.Random(seed), workers
        self.kills: list[float] = []
        """When the broker was killed (monotonic)."""
        self.well: list[float] = []
        """When all was well again after a strike."""
        self.taps: set[int] = set()
        self._ended = threading.Event()
        self._stack = contextlib.ExitStack()
        with self._stack:
            self.server = databases.DurableServer()
            self._stack.callback(self.server.stop)
            self.broker = Mosquitto(folder / "mosquitto", BROKER)
            self.broker.start()
            self._stack.callback(self.broker.stop)
            self.receiver = self._stack.enter_context(Receiver())
            url = self.server.fresh("shop")
            self._engine = create_engine(url, isolation_level="AUTOCOMMIT", poolclass=pool.NullPool)
            data = folder / "data"
            data.mkdir()
            self.crew = Crew(
                data,
                self.broker.url,
                url,
                workers,
                BOOTHGLASS_WEBHOOK_HOSTS="127.0.0.1",
                BOOTHGLASS_STALE_AFTER_S="86400",
            )
            self._stack.callback(self._end_crew)
            self.crew.start()
            self.ear = Ear(self.broker)
            self._stack.callback(self.ear.stop)
            self.sensors = Sensors(self.broker, seed)
            self._stack.callback(self.sensors.stop)
            self.live = _Live(self.broker)
            self._stack.callback(self.live.stop)
            self._introduce()
            self._stack = self._stack.pop_all()

    def close(self) -> None:
        """Leave nothing running, whatever went wrong."""
        self._ended.set()
        self._stack.close()

    # -- load ------------------------------------------------------------------------------

    @contextlib.contextmanager
    def busy(self) -> Iterator[None]:
        """Let sensors send and people work meanwhile."""
        tapping = threading.Thread(target=self._keep_tapping, daemon=True)
        with self.sensors.sending(A_SECOND), self.live.sending(1.0):
            tapping.start()
            try:
                yield
            finally:
                self._ended.set()
                tapping.join()

    def _introduce(self) -> None:
        eventually(self.whole, LONG_S, "all workers stand")
        config = {"url": self.receiver.url, "secret": "whsec_" + 32 * "A"}
        self.crew.post("people", name="Ana", telling={"group_min": 0})
        self.crew.post("people/1/channels", kind="webhook", config=config)
        self.live.send(1)
        eventually(lambda: self.newest() is not None, LONG_S, "the place is known")

    def _keep_tapping(self) -> None:
        """Coat one piece after the other, hours ago, so that each is ready at once."""
        under_way: list[int] = []
        number = 0
        while not self._ended.wait(0.5):
            number += 1
            with contextlib.suppress(urllib.error.URLError, OSError, ValueError):
                if len(under_way) >= UNDER_WAY:
                    self._send_away(under_way)
                    continue
                under_way.append(self._coat(number))

    def _coat(self, number: int) -> int:
        began = datetime.now(UTC) - timedelta(hours=4)
        piece = self.crew.post(
            "instruments",
            shop_number=f"N{number}",
            kind="ukulele",
            schedule="lacquer-clear",
            place="bench",
            at=began.isoformat(),
        )
        coat = self.crew.post(
            f"instruments/{piece['id']}/coats", at=(began + timedelta(hours=1)).isoformat()
        )
        self.taps.add(int(coat["id"]))
        return int(piece["id"])

    def _send_away(self, under_way: list[int]) -> None:
        """Let those leave of which was told."""
        told = {row[0] for row in self.ask("select instrument_id from notice")}
        for piece in [piece for piece in under_way if piece in told]:
            self.crew.post(f"instruments/{piece}/gone")
            under_way.remove(piece)

    # -- what is asked from outside ----------------------------------------------------------

    def ask(self, statement: str) -> list[tuple[Any, ...]]:
        """Ask the database, from outside of the service; nothing while it is away."""
        try:
            with self._engine.connect() as connection:
                return [tuple(row) for row in connection.exec_driver_sql(statement)]
        except OperationalError:
            return []

    def newest(self) -> datetime | None:
        """Instant of the newest reading of the sensor that sends now."""
        rows = self.ask(
            "select max(at) from reading join sensor on sensor_id = id where name = 'live'"
        )
        return datetime.fromtimestamp(rows[0][0] / 1000, UTC) if rows and rows[0][0] else None

    def locks(self) -> tuple[int, int]:
        """How many workers have a number, and how many slices somebody leads for."""
        rows = self.ask(
            "select count(distinct pid) filter (where classid = 1114535277),"
            " count(*) filter (where classid = 1114400100) from pg_locks"
            " where locktype = 'advisory' and granted and objsubid = 2"
        )
        return (rows[0][0], rows[0][1]) if rows else (0, 0)

    def standings(self) -> dict[int, tuple[int, bool]]:
        """Return each worker's connection that holds its locks, and whether it leads."""
        rows = self.ask(
            "select application_name, pid, exists (select from pg_locks where pg_locks.pid ="
            " pg_stat_activity.pid and locktype = 'advisory' and classid = 1114400100 and granted)"
            " from pg_stat_activity where application_name like 'boothglass worker %%'"
        )
        return {int(name.split()[-1]): (pid, leads) for name, pid, leads in rows}

    def whole(self) -> bool:
        """Whether every worker stands, one leads, and the service says it is well."""
        if len(self.crew.workers()) != self.workers or self.locks() != (self.workers, 1):
            return False
        try:
            health = self.crew.get("health")
        except (OSError, ValueError):
            return False
        return bool(health["mqtt"]["connected"]) and health["status"] != "failing"

    def recover(self) -> None:
        """Wait until all is as before, and a reading of now is kept."""
        struck = datetime.now(UTC)

        def back() -> bool:
            self.crew.look_after()
            return self.whole() and (self.newest() or struck) > struck

        eventually(back, LONG_S, "all is well again")
        self.well.append(time.monotonic())

    # -- strikes ---------------------------------------------------------------------------

    def leader(self) -> int:
        """Process id of the worker that leads."""
        found: list[int] = []

        def led() -> bool:
            found[:] = [pid for pid, (_, leads) in self.standings().items() if leads]
            return bool(found)

        eventually(led, LONG_S, "somebody leads")
        return found[0]

    def kill_worker(self) -> None:
        leader = self.leader()
        others = [pid for pid in self.crew.workers() if pid != leader]
        end(self.rnd.choice(others))

    def kill_leader(self) -> None:
        end(self.leader())

    def kill_parent(self) -> None:
        self.crew.keep_up(self.crew.kill_parent())

    def kill_broker(self) -> None:
        self.kills.append(time.monotonic())
        self.broker.kill()
        time.sleep(self.rnd.uniform(0.0, 3.0))
        self.broker.start()

    def kill_database(self) -> None:
        self.server.kill()
        time.sleep(self.rnd.uniform(0.0, 3.0))
        self.server.start_again()

    def kill_database_session(self) -> None:
        """End one process of the server: it takes all others for spoilt, and starts anew."""
        rows = self.ask(
            "select pid from pg_stat_activity where datname = 'shop' and pid <> pg_backend_pid()"
        )
        end(self.rnd.choice(sorted(pid for (pid,) in rows)))

    def stop_leader(self) -> None:
        """Let the leader hang; meanwhile the server takes its connection for lost."""
        leader = self.leader()
        end(leader, signal.SIGSTOP)
        session = self.standings()[leader][0]
        self.ask(f"select pg_terminate_backend({session})")
        time.sleep(self.rnd.uniform(3.0, 8.0))
        end(leader, signal.SIGCONT)

    def hang_leader(self) -> None:
        """Let the leader hang until whoever watches over it has had enough."""
        leader = self.leader()
        end(leader, signal.SIGSTOP)
        eventually(lambda: leader not in self.crew.workers(), LONG_S, "it is ended")

    def two_at_once(self) -> None:
        """Two of them within a moment."""
        first, second = self.rnd.sample(AT_ONCE, 2)
        also = threading.Thread(target=self._guarded, args=(second,))
        also.start()
        time.sleep(self.rnd.uniform(0.0, 1.0))
        self._guarded(first)
        also.join()

    def _guarded(self, strike: Callable[[CrewRig], None]) -> None:
        """Strike; what is to be struck may be gone already."""
        with contextlib.suppress(IndexError, KeyError):
            strike(self)

    # -- the counting ----------------------------------------------------------------------

    def outcome(self) -> Outcome:
        """Wait until everything is quiet, end the service in good order, and count."""
        began = time.monotonic()
        self.sensors.flush()
        self.live.flush()
        until = time.monotonic() + LONG_S + LEASE_S
        while (left := self._left()) is not None:
            assert time.monotonic() < until, f"it does not come to rest: {left}"
            time.sleep(0.5)
        whole_after_s = time.monotonic() - began
        time.sleep(2.0)
        self.crew.stop()
        taken = self.sensors.taken_at | self.live.taken_at
        rows = self._landed()
        missing = set(taken) - set(rows)
        doubtful = {key for key in missing if self._in_doubt(taken[key])}
        coats = [int(row[0]) for row in self.ask("select id from coat")]
        notices = self.ask("select id, coat_id, kind, published_at from notice")
        told = Counter(int(coat) for _, coat, _, _ in notices if coat is not None)
        ids = {int(row[0]) for row in notices}
        unheard = ids - set(self.ear.ids)
        since = {int(row[0]): _monotonic(row[3]) for row in notices}
        posted: dict[int, set[int]] = {}
        for body in self.receiver.got:
            for notice in body["data"]["notices"]:
                posted.setdefault(int(notice), set()).add(int(body["data"]["delivery"]))
        times = Counter(int(body["data"]["delivery"]) for body in self.receiver.got)
        checked = self.crew.command("rebuild", "--check")
        return Outcome(
            taken=len(taken),
            lost=len(missing - doubtful),
            twice=len(rows) - len(set(rows)),
            broker_lost=len(doubtful),
            taps=len(self.taps),
            taps_lost=len(self.taps - set(coats)),
            due=len(coats),
            not_written=len(set(coats) - set(told)),
            written_twice=sum(times - 1 for times in told.values()),
            notices=len(ids),
            heard_lost=sum(not self._in_doubt(since[one]) for one in unheard),
            heard_broker_lost=sum(self._in_doubt(since[one]) for one in unheard),
            heard_again=sum(times - 1 for times in self.ear.ids.values()),
            posted_lost=len(ids - set(posted)),
            posted_twice=sum(len(by) > 1 for by in posted.values()),
            posted_again=sum(times - 1 for times in times.values()),
            equal=checked.returncode == 0,
            whole_after_s=whole_after_s,
        )

    def _left(self) -> dict[str, Any] | None:
        """What is left to do, but for what the broker may have forgotten; None: nothing."""
        self.crew.look_after()
        found = {what: self.ask(statement) for what, statement in TO_DO.items()}
        taken = self.sensors.taken_at | self.live.taken_at
        missing = sorted(set(taken) - set(self._landed()))
        found["readings"] = [key for key in missing if not self._in_doubt(taken[key])]
        return {what: rows[:3] for what, rows in found.items() if rows} or None

    def _landed(self) -> list[Key]:
        rows = self.ask("select place_id, name, at from reading join sensor on sensor_id = id")
        return [(f"boothglass/{place}/{name}", int(at)) for place, name, at in rows]

    def _in_doubt(self, at: float) -> bool:
        """Whether the broker may have forgotten what it took at an instant (monotonic).

        So it may until the workers have subscribed again: Mosquitto 2.0.11 does not know a shared
        subscription any more after a restart.
        """
        return any(
            killed - DOUBT_S <= at <= min((well for well in self.well if well > killed), default=at)
            for killed in self.kills
        )

    def _end_crew(self) -> None:
        for pid in self.crew.workers() if self.crew._process is not None else []:
            end(pid, signal.SIGCONT)
            end(pid)
        self.crew.kill()


class _Live(Publisher):
    """A sensor that reports the air of now."""

    def __init__(self, broker: Mosquitto) -> None:
        super().__init__(broker, "live")

    def send(self, count: int) -> None:
        """Send so many."""
        for _ in range(count):
            at = datetime.fromtimestamp(round(time.time(), 3), UTC)
            self.publish(LIVE, at, {"air_c": 21.0, "rh_pct": 45.0})


def _monotonic(at: Any) -> float:
    """An instant as the database keeps it (ms since 1970), on this process's own scale."""
    return float("inf") if at is None else float(at) / 1000 - time.time() + time.monotonic()


AT_ONCE: tuple[Callable[[CrewRig], None], ...] = (
    CrewRig.kill_leader,
    CrewRig.kill_broker,
    CrewRig.kill_database,
    CrewRig.stop_leader,
)
"""What may strike together with another of these."""

KINDS: dict[str, tuple[Callable[[CrewRig], None], int]] = {
    "a worker killed": (CrewRig.kill_worker, 20),
    "the leader killed": (CrewRig.kill_leader, 20),
    "the parent killed": (CrewRig.kill_parent, 10),
    "the broker killed": (CrewRig.kill_broker, 15),
    "the database server killed": (CrewRig.kill_database, 10),
    "one process of the server killed": (CrewRig.kill_database_session, 5),
    "the leader stopped, its locks lost": (CrewRig.stop_leader, 10),
    "the leader hangs for good": (CrewRig.hang_leader, 2),
    "two of these at once": (CrewRig.two_at_once, 8),
}
"""Each with how many of a hundred it is."""


def planned(strikes: int, seed: int) -> list[str]:
    """Return kinds of strikes in a random order, in the shares that they have."""
    rnd = random.Random(seed)
    if strikes >= len(KINDS):
        some = [kind for kind, (_, share) in KINDS.items() for _ in range(share)]
        rnd.shuffle(some)
        return [some[n % len(some)] for n in range(strikes)]
    return rnd.sample([kind for kind, (_, share) in KINDS.items() if share > 2], strikes)


def strike(
    folder: Path,
    plan: list[str],
    seed: int,
    workers: int = 2,
    tell: Callable[[str, float], None] = lambda _kind, _seconds: None,
) -> tuple[list[tuple[str, float]], Outcome]:
    """Strike again and again under load; return after how many seconds all was well, and the rest.

    The time counts from the strike on: a server that was killed is away for up to 3 s of it, a
    leader that is stopped for up to 8 s.
    """
    rig = CrewRig(folder, seed, workers=workers)
    took = []
    try:
        with rig.busy():
            for kind in plan:
                time.sleep(rig.rnd.uniform(0.0, 2.0))
                began = time.monotonic()
                KINDS[kind][0](rig)
                rig.recover()
                took.append((kind, time.monotonic() - began))
                tell(*took[-1])
        return took, rig.outcome()
    finally:
        rig.close()


__all__ = ["KINDS", "CrewRig", "Outcome", "planned", "strike"]
