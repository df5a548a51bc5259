"""What the commands on a shop's record share: its database, and how errors are told."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import NoReturn

from pydantic import ValidationError

from service.address import shop_url
from service.settings import Settings, load_settings
from service.store.db import Database, DatabaseAwayError, DatabaseError, sqlite_path
from service.store.errors import StoreError
from service.store.hosting import database_of
from service.store.shops import FOLDER
from service.store.yaml_files import CatalogueError

__all__ = [
    "Progress",
    "fail",
    "settings_of_all",
    "shop_database",
    "shop_settings",
    "status_of",
]

WRONG = 2
"""Status where something is not set right: the unit of systemd tries no more."""

TRY_AGAIN = 75
"""Status where nothing need be changed for another try to do (EX_TEMPFAIL of sysexits.h)."""


def status_of(error: Exception) -> int:
    """Return the status that a service ends with which could not begin."""
    return TRY_AGAIN if isinstance(error, DatabaseAwayError) else WRONG


def fail(reason: str) -> NoReturn:
    """Say why on standard error, and end with status 2."""
    print(f"boothglass: {reason}", file=sys.stderr)
    raise SystemExit(2)


def shop_settings() -> Settings:
    """Return the settings of the shop; ends the command where they cannot be used.

    Of many shops it is the one that ``BOOTHGLASS_SHOP`` names; its data folder is in that of all.
    """
    settings = settings_of_all()
    if settings.shop is None:
        return settings
    folder = settings.data / FOLDER / settings.shop
    if settings.database_url is None and not folder.is_dir():
        fail(f"BOOTHGLASS_SHOP: there is no shop {settings.shop} in {settings.data}")
    folder.mkdir(parents=True, exist_ok=True)
    own: dict[str, object] = {"data": folder}
    if settings.shops_domain is not None:
        own["public_url"] = shop_url(settings, settings.shop)
    return settings.model_copy(update=own)


def settings_of_all() -> Settings:
    """Return the settings of the installation; ends the command where they cannot be used."""
    try:
        return load_settings("shop")
    except ValidationError as error:
        first = error.errors()[0]
        fail(f"setting {'_'.join(str(part) for part in first['loc'])}: {first['msg']}")
    except OSError as error:
        fail(f"BOOTHGLASS_DATA: {error}")


@contextmanager
def shop_database(settings: Settings, *, make: bool = False) -> Iterator[Database]:
    """Open the shop's database; what goes wrong with it, or is refused by it, ends the command.

    The service may be running on it. One that is not there is only made if told.
    """
    secret = None if settings.shops_secret is None else settings.shops_secret.get_secret_value()
    kept = settings.database_url is not None or sqlite_path(settings.data).exists()
    if not make and not kept:
        fail(f"BOOTHGLASS_DATA: nothing is kept in {settings.data} yet")
    try:
        database = database_of(settings.data, settings.database_url, settings.shop, secret)
    except DatabaseError as error:
        fail(str(error))
    try:
        database.upgrade()
        yield database
    except (CatalogueError, DatabaseError, StoreError) as error:
        fail(str(error))
    finally:
        database.dispose()


class Progress:
    """A line on standard error that is written over, where a person is looking."""

    EVERY_S = 0.5

    def __init__(self, what: str) -> None:
        self._what, self._next = what, 0.0
        self._shown = sys.stderr.isatty()

    def __call__(self, done: int, total: int) -> None:
        """Show how far it is."""
        now = time.monotonic()
        if self._shown and (now >= self._next or done >= total):
            self._next = now + self.EVERY_S
            share = 100.0 * done / total if total else 100.0
            print(f"\r{self._what}: {share:.0f} %", end="", file=sys.stderr, flush=True)

    def end(self) -> None:
        """Leave the line."""
        if self._shown:
            print(file=sys.stderr)
