"""What the commands on a shop's record share: its database, and how errors are told."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import NoReturn

from pydantic import ValidationError

from service.settings import Settings, load_settings
from service.store.db import Database, DatabaseError, database_url, sqlite_path
from service.store.errors import StoreError

__all__ = ["Progress", "fail", "shop_database", "shop_settings"]


def fail(reason: str) -> NoReturn:
    """Say why on standard error, and end with status 2."""
    print(f"boothglass: {reason}", file=sys.stderr)
    raise SystemExit(2)


def shop_settings() -> Settings:
    """Return the settings of the shop; ends the command where they cannot be used."""
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
    kept = settings.database_url is not None or sqlite_path(settings.data).exists()
    if not make and not kept:
        fail(f"BOOTHGLASS_DATA: nothing is kept in {settings.data} yet")
    try:
        database = Database(database_url(settings.data, settings.database_url))
    except DatabaseError as error:
        fail(str(error))
    try:
        database.upgrade()
        yield database
    except (DatabaseError, StoreError) as error:
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
