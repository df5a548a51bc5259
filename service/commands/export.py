"""``boothglass export``: a place's record as a file."""

from __future__ import annotations

import contextlib
import sys
from datetime import datetime
from pathlib import Path

from service.commands.common import fail, shop_database, shop_settings
from service.store.export_files import file_name, written
from service.store.exporting import export

__all__ = ["run"]


def run(
    place: str,
    *,
    from_at: datetime | None,
    to_at: datetime | None,
    resolution: str,
    file_format: str,
    out: str | None,
) -> None:
    """Write a place's record to a file (``-``: standard output), piece by piece."""
    with shop_database(shop_settings()) as database:
        found = export(database, place, from_at=from_at, to_at=to_at, resolution=resolution)
        pieces = written(found, file_format)
        if found.note:
            print(f"boothglass: {found.note}", file=sys.stderr)
        if out == "-":
            # Whoever reads it may stop reading.
            with contextlib.suppress(BrokenPipeError):
                for piece in pieces:
                    sys.stdout.buffer.write(piece)
                sys.stdout.buffer.flush()
            return
        path = Path(out or file_name(found, file_format))
        part = path.with_name(f"{path.name}.part")
        try:
            with part.open("wb") as file:
                for piece in pieces:
                    file.write(piece)
            part.replace(path)
        except OSError as error:
            fail(f"--out: {path}: {error.strerror}")
        finally:
            part.unlink(missing_ok=True)
        print(f"{path}: {path.stat().st_size:,} bytes")
