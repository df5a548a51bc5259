"""``boothglass serve`` with several workers: they are started, watched over, and started again."""

from __future__ import annotations

import logging
import os
import socket
import sys

import uvicorn

from sensors.node.notify import tell
from service.address import public_url
from service.clock import ClockError, WallClock, make_clock
from service.commands.common import status_of
from service.commands.owner_link import new_link, remember_address, show
from service.commands.supervising import Supervisor
from service.settings import SettingError, Settings
from service.store.accounts import Accounts
from service.store.db import Database, DatabaseError, database_url
from service.web.words import shop_zone
from service.worker.houses import ManyHouses
from service.worker.making import check_for_workers, shops_of_host

__all__ = ["run"]

MOST_NAMED = 10
HUNG_AFTER_S = 60
"""A worker that does not answer its parent for so long is ended and started anew."""

log = logging.getLogger(__name__)


def run(settings: Settings, listener: socket.socket) -> None:
    """Serve until told to stop.

    Where it cannot begin, it ends with the status that :func:`status_of` gives.
    """
    workers = settings.workers or 1
    try:
        check_for_workers(settings)
        shop_zone(settings)
        make_clock(settings)  # a driven one is anchored once, for all of them
        if settings.shops_domain is None:
            _begin_one(settings, workers)
        else:
            _begin_many(settings, workers)
    except (SettingError, DatabaseError, ClockError) as error:
        print(f"boothglass: {error}", file=sys.stderr)
        raise SystemExit(status_of(error)) from error
    sys.stdout.flush()
    _hand_down(settings)
    config = uvicorn.Config(
        "service.worker.doorway:make_app",
        factory=True,
        workers=workers,
        log_config=None,
        access_log=False,
        timeout_graceful_shutdown=8,
        timeout_worker_healthcheck=HUNG_AFTER_S,
        server_header=False,
    )
    tell("READY=1")
    Supervisor(config, sockets=[listener]).run()


def _begin_one(settings: Settings, workers: int) -> None:
    db = Database(database_url(settings.data, settings.database_url))
    try:
        db.upgrade()
        base = public_url(settings)
        print(f"Boothglass is at {base}/, served by {_counted(workers)}")
        remember_address(db, base)
        if settings.sign_in == "on" and not Accounts(db, WallClock()).has_owner():
            show(new_link(db, base))
    finally:
        db.dispose()


def _begin_many(settings: Settings, workers: int) -> None:
    houses = ManyHouses(settings, shops_of_host(settings))
    try:
        words = sorted(houses.words())
        for word in words[:1]:
            houses.open(word).upgrade()  # says so where its tables are not of this version
        print(f"{len(words)} shops are served by {_counted(workers)}, each at its own address:")
        for word in words[:MOST_NAMED]:
            print(f"  {houses.settings(word).public_url}/")
        if len(words) > MOST_NAMED:
            print("  ... (boothglass shops list names all)")
    finally:
        houses.close()


def _counted(workers: int) -> str:
    return "one worker" if workers == 1 else f"{workers} workers"


def _hand_down(settings: Settings) -> None:
    """Let the workers find what was said on the command line."""
    for name in settings.model_fields_set:
        value = getattr(settings, name)
        if value is None or f"BOOTHGLASS_{name.upper()}" in os.environ:
            continue
        if name in {"http_port", "lan", "sign_in", "clock_start", "clock_rate", "data"}:
            said = value.isoformat() if hasattr(value, "isoformat") else str(value)
            os.environ[f"BOOTHGLASS_{name.upper()}"] = said
