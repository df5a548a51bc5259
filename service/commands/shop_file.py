"""``boothglass export-shop`` and ``boothglass import-shop``: a whole shop as one file."""

from __future__ import annotations

from pathlib import Path

from service.clock import WallClock
from service.commands.common import Progress, fail, shop_database, shop_settings
from service.store.db import Database, DatabaseError, database_url
from service.store.shop_file.form import ShopFileError
from service.store.shop_file.taking import take_in
from service.store.shop_file.writing import file_name, written

__all__ = ["export_shop", "import_shop"]


def export_shop(file: str | None, *, secrets: bool) -> None:
    """Write the shop to a file, which is there whole or not at all; the service may be running."""
    settings, now = shop_settings(), WallClock().now()
    path = Path(file or file_name(now)).expanduser()
    part = path.with_name(f"{path.name}.part")
    with shop_database(settings) as database:
        try:
            part.touch(mode=0o600)
            with part.open("wb") as out:
                for piece in written(database, settings.data, now, secrets=secrets):
                    out.write(piece)
            part.replace(path)
        except ShopFileError as error:
            fail(f"nothing was written: {error}")
        except OSError as error:
            fail(f"{path}: {error.strerror}")
        finally:
            part.unlink(missing_ok=True)
    print(f"{path}: {path.stat().st_size:,} bytes")
    if secrets:
        print("It holds passwords, keys and addresses: keep it where nobody else can read it.")
    else:
        print("Left out: ways to reach people, keys and links. With them: --secrets")


def import_shop(file: str) -> None:
    """Take a shop file into a shop in which nothing is kept yet; the service must not run."""
    settings = shop_settings()
    url = database_url(settings.data, settings.database_url)
    progress, path = Progress("taken in"), Path(file).expanduser()
    try:
        if settings.shop is not None and settings.database_url is not None:
            with shop_database(settings) as among:
                taken = take_in(url, settings.data, path, among=among, progress=progress)
        else:
            _see_that_it_can_be_used(url)
            taken = take_in(url, settings.data, path, progress=progress)
    except ShopFileError as error:
        fail(f"nothing was taken in: {error}")
    except DatabaseError as error:
        fail(str(error))
    except OSError as error:
        fail(f"nothing was taken in: {error}")
    finally:
        progress.end()
    print(f"{settings.data}: {taken.rows:,} rows and {taken.files:,} files")
    if not taken.secrets:
        print("Ways to reach people want setting up again: they were left out of the file.")


def _see_that_it_can_be_used(url: str) -> None:
    try:
        database = Database(url)
        try:
            database.schema()
        finally:
            database.dispose()
    except DatabaseError as error:
        fail(str(error))
