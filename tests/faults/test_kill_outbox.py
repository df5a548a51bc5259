"""Power cuts while messages go out: nothing is lost, nothing is told twice under another id.

Counted at the other side: a web server of its own takes each message, and knows it by the id of its
delivery. What a cut leaves open between taking and marking is sent again under the same id; how
often that happened on the wire is counted, too.
"""

from __future__ import annotations

import contextlib
import os
import random
import signal
import subprocess
import sys
import textwrap
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import databases
import pytest
from equipment import SetClock, eventually
from receiver import Receiver
from sqlmodel import col, func, select

from service.store.db import Database
from service.store.people_book import PeopleBook
from service.store.tables import Delivery, Notice

pytestmark = [pytest.mark.real, pytest.mark.slow]

SCRIPT = Path(__file__).with_name("outbox_process.py")
ROUNDS = int(os.environ.get("OUTBOX_CUTS", "5"))
NOTICES = 50 * ROUNDS


@dataclass
class Shop:
    """A database with Ana, who has a channel to each receiver."""

    database: Database
    folder: Path
    receivers: list[Receiver]

    def left(self) -> int:
        """Notices that have no delivery yet, and deliveries that wait."""
        with self.database.read() as session:
            untold = select(func.count()).select_from(Notice).where(col(Notice.told_at).is_(None))
            waiting = select(func.count()).select_from(Delivery).where(Delivery.state == "waiting")
            return session.exec(untold).one() + session.exec(waiting).one()

    def notices(self) -> set[int]:
        with self.database.read() as session:
            return {int(n or 0) for n in session.exec(select(Notice.id))}

    def ids(self) -> set[int]:
        with self.database.read() as session:
            return {int(n or 0) for n in session.exec(select(Delivery.id))}


@contextlib.contextmanager
def shop_of(database: Database, folder: Path, *receivers: Receiver) -> Iterator[Shop]:
    people = PeopleBook(database, SetClock(datetime(2026, 3, 2, 9, 0, tzinfo=UTC)))
    people.add("Ana", telling={"group_min": 0})
    with contextlib.ExitStack() as stack:
        for receiver in receivers:
            stack.enter_context(receiver)
            people.add_channel(1, "webhook", receiver.url, {"url": receiver.url})
        yield Shop(database, folder, list(receivers))


@contextlib.contextmanager
def sending(shop: Shop, count: int) -> Iterator[None]:
    """Run the process; kill it at the end as a power cut would."""
    with subprocess.Popen(
        [sys.executable, str(SCRIPT), str(shop.folder), str(count)],
        env=os.environ | databases.environment(shop.folder),
        stdout=subprocess.PIPE,
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"up\n"
        yield
        process.send_signal(signal.SIGKILL)


def ids_by_notice(got: list[dict[str, Any]]) -> dict[int, set[int]]:
    found: dict[int, set[int]] = {}
    for body in got:
        for notice in body["notices"]:
            found.setdefault(notice, set()).add(body["delivery_id"])
    return found


def test_cut_off_again_and_again(database, data_folder, capsys):
    rnd = random.Random(7)
    good, flaky = Receiver(), Receiver()

    def slow(_: dict[str, Any]) -> int:
        time.sleep(rnd.uniform(0.0, 0.03))
        return 204

    def now_and_then(body: dict[str, Any]) -> int:
        return 503 if rnd.random() < 0.3 else slow(body)

    good.answer, flaky.answer = slow, now_and_then
    with shop_of(database, data_folder, good, flaky) as shop:
        for n in range(1, ROUNDS + 1):
            with sending(shop, n * NOTICES // ROUNDS):
                time.sleep(rnd.uniform(0.1, 0.8))
        with sending(shop, NOTICES):
            eventually(
                lambda: len(shop.notices()) == NOTICES and not shop.left(),
                120,
                "everything has gone out",
            )
        wanted, deliveries = shop.notices(), shop.ids()
        lost = doubled = again = 0
        for receiver in shop.receivers:
            told = ids_by_notice(receiver.got)
            lost += len(wanted - set(told))
            doubled += sum(len(ids) > 1 for ids in told.values())
            again += sum(times - 1 for times in receiver.times().values())
            assert set(told) <= wanted
            assert set(receiver.times()) <= deliveries
        with capsys.disabled():
            print(
                f"\n{ROUNDS} power cuts, {len(wanted)} notices by 2 channels in "
                f"{len(deliveries)} messages: lost={lost} doubled={doubled}; "
                f"{again} on the wire twice under the same id"
            )
        assert (lost, doubled) == (0, 0)
        assert again <= 2 * ROUNDS  # at most what was under way when the power went


# Each is put in front of the child's main(): it ends the process at the narrowest moments.
MOMENTS = {
    "planned, not committed": (
        """
        written = store_outbox.write_planned
        def write_planned(session, item, now):
            written(session, item, now)
            session.flush()
            os.kill(os.getpid(), signal.SIGKILL)
        store_outbox.write_planned = write_planned
        """,
        0,
    ),
    "claimed, not sent": (
        """
        PostSender.send = lambda *_: os.kill(os.getpid(), signal.SIGKILL)
        """,
        0,
    ),
    "taken by the other side, not marked": (
        """
        Outbox.sent = lambda *_: os.kill(os.getpid(), signal.SIGKILL)
        """,
        1,
    ),
}


@pytest.mark.parametrize("moment", MOMENTS)
def test_cut_off_at_the_narrowest_moments(database, data_folder, moment):
    trap, repeats = MOMENTS[moment]
    source = SCRIPT.read_text().replace("__file__", repr(str(SCRIPT)))
    source = source.replace(
        "def main()", "import signal\n" + textwrap.dedent(trap) + "\n\ndef main()"
    )
    receiver = Receiver()
    with shop_of(database, data_folder, receiver) as shop:
        ended = subprocess.run(
            [sys.executable, "-c", source, str(data_folder), "1"],
            env=os.environ | databases.environment(data_folder),
            stdout=subprocess.DEVNULL,
            timeout=60,
            check=False,
        )
        assert ended.returncode == -signal.SIGKILL
        assert len(receiver.got) == repeats
        assert len(shop.notices()) == 1
        with sending(shop, 1):
            eventually(lambda: shop.notices() and not shop.left(), 60, "it has gone out")
        assert list(receiver.times().values()) == [1 + repeats]
        assert ids_by_notice(receiver.got) == {1: set(receiver.times())}
