"""Notices, outbox and postman as a process to be killed: ``outbox_process.py FOLDER N``.

It writes notices up to the N-th as the looks do, sends what is due meanwhile, and says ``up`` once.
Its clock runs sixty times as fast, so that back-off is soon over.
"""

from __future__ import annotations

import os
import random
import sys
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from receiver import PostSender
from sqlmodel import func, select

from service.notify.postman import Postman
from service.shop.notices import Draft
from service.store import outbox as store_outbox
from service.store.db import Database, database_url
from service.store.notice_book import _write
from service.store.outbox import Outbox
from service.store.tables import Notice
from service.web.words import Words

KINDS = ("sand-ready", "stop-spraying", "sensor-silent", "recoat-ready")


class FastClock:
    """Sixty times the machine's time."""

    rate = 60.0
    driven = True

    def now(self) -> datetime:
        return datetime.fromtimestamp(60.0 * (time.time() - 1.7e9), UTC) + timedelta(days=10_000)


def main() -> None:
    folder, count = Path(sys.argv[1]), int(sys.argv[2])
    store_outbox.LEASE = timedelta(seconds=0.5)  # whoever claimed before is surely dead
    database = Database(database_url(folder, os.environ.get("BOOTHGLASS_DATABASE_URL")))
    clock = FastClock()
    outbox = Outbox(database, clock, lambda: UTC)
    words = Words(UTC)
    postman = Postman(
        outbox,
        clock,
        {"webhook": PostSender()},
        public_url=lambda: "http://127.0.0.1",
        wording=lambda _: words,
    )

    def send() -> None:
        while True:
            postman.work()
            time.sleep(0.01)

    threading.Thread(target=send, daemon=True).start()
    os.write(sys.stdout.fileno(), b"up\n")
    while True:
        with database.read() as session:
            there = session.exec(select(func.count()).select_from(Notice)).one()
        if there < count:
            fresh = range(there, min(count, there + random.randint(1, 3)))
            drafts = [Draft(f"test:{n}", KINDS[n % 4], f"notice {n}") for n in fresh]
            with database.write() as session:
                _write(session, drafts, clock.now())
        time.sleep(random.uniform(0.0, 0.02))


if __name__ == "__main__":
    main()
