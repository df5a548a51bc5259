"""``boothglass backup`` and ``boothglass restore``."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from service.backup.archive import Contents, restore
from service.backup.errors import BackupError
from service.backup.keeper import Keeper
from service.backup.names import made_at
from service.backup.stores import store_of
from service.clock import WallClock
from service.commands.common import fail, shop_settings
from service.settings import Settings
from service.store.db import DatabaseError, sqlite_path

__all__ = ["back_up", "bring_back", "list_backups"]


def back_up(to: str | None) -> None:
    """Make one back-up now."""
    settings = shop_settings()
    if settings.shop is not None and settings.database_url is not None:
        fail("BOOTHGLASS_SHOP: a back-up of the database holds every shop, and its owner makes it")
    if settings.database_url is None and not sqlite_path(settings.data).exists():
        fail(f"BOOTHGLASS_DATA: nothing is kept in {settings.data} yet")
    where = _where(settings, to)
    try:
        made = Keeper.of(settings, where, WallClock()).make_now()
    except (BackupError, DatabaseError, OSError) as error:
        fail(f"no back-up was made: {error}")
    print(f"{made.name} in {where}: {_told(made.contents)}")
    for name in made.dropped:
        print(f"dropped {name}")


def list_backups(to: str | None) -> None:
    """List what lies there."""
    settings = shop_settings()
    where = _where(settings, to)
    try:
        names = store_of(where, settings.backup_endpoint).names()
    except (BackupError, OSError) as error:
        fail(str(error))
    for name in names:
        print(name)
    if not names:
        print(f"no back-up in {where}")


def bring_back(file: str, into: str, identity: str | None) -> None:
    """Bring a back-up back into an empty folder; ``file`` may be one of the store's names.

    A back-up of a PostgreSQL database goes into the empty one that the environment names: the
    settings that lie in a data folder are of another shop.
    """
    url = os.environ.get("BOOTHGLASS_DATABASE_URL") or None
    key = None if identity is None else Path(identity).expanduser()
    target = Path(into).expanduser()
    try:
        if Path(file).expanduser().is_file():
            contents = restore(Path(file).expanduser(), target, identity=key, database_url=url)
        elif made_at(Path(file).name) is None:
            fail(f"{file}: no such file, and no name of a back-up")
        else:
            contents = _fetched(file, target, key, url)
    except (BackupError, DatabaseError, OSError) as error:
        fail(f"nothing was brought back: {error}")
    print(f"{target}: {_told(contents)}, made {contents.made_at:%Y-%m-%d %H:%M} UTC")
    also = "" if url is None else " and the same BOOTHGLASS_DATABASE_URL"
    print(f"Start boothglass serve with BOOTHGLASS_DATA={target}{also}")


def _fetched(address: str, target: Path, key: Path | None, url: str | None) -> Contents:
    settings = shop_settings()
    where, _, name = address.rpartition("/")
    store = store_of(where or _where(settings, None), settings.backup_endpoint)
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / name
        store.get(name, file)
        return restore(file, target, identity=key, database_url=url)


def _where(settings: Settings, to: str | None) -> str:
    where = to or settings.backup_to
    if where is None:
        fail("where to? Name a folder or s3://bucket/prefix, or set BOOTHGLASS_BACKUP_TO")
    return where


def _told(contents: Contents) -> str:
    return f"{contents.files} files, {contents.bytes / 1e6:,.1f} MB"
