"""Photos of flaws: files by their digest in the data folder, and a row for each."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from sqlmodel import Session, col, select

from service.clock import Clock
from service.shop.said import say
from service.store.db import Database
from service.store.errors import BadInput, Conflict, NotFound
from service.store.fields import text
from service.store.pictures import Picture, reencoded
from service.store.tables import Flaw, FlawPhoto

__all__ = ["FOLDER", "MOST_PHOTOS", "PhotoBook", "TakenIn"]

FOLDER = "photos"
"""Folder of the data folder that holds the files."""

MOST_PHOTOS = 24
"""Photos of one flaw: a phone's burst must not fill the disk."""

Size = Literal["full", "small"]


@dataclass(frozen=True)
class TakenIn:
    """A photo whose files are there, and that is no flaw's yet."""

    digest: str
    size_bytes: int
    width_px: int
    height_px: int


class PhotoBook:
    """Takes photos in; a file is there before its row, so that no row is without its file."""

    def __init__(self, db: Database, clock: Clock, data_folder: Path) -> None:
        self.db, self.clock, self.folder = db, clock, data_folder / FOLDER

    def add(self, flaw_id: int, data: bytes, who: str = "") -> FlawPhoto:
        """Keep a photo of a flaw; the same one twice is kept once.

        Raises
        ------
        NotFound, BadInput
            Naming ``flaw`` or ``photo``.
        """
        with self.db.read() as session:
            _flaw(session, flaw_id)
        return self.keep(flaw_id, self.take_in(data), who)

    def take_in(self, data: bytes) -> TakenIn:
        """Write a photo's files, so that :meth:`keep` has little to do; raises BadInput.

        Files that no row is made for are nobody's photo.
        """
        picture = reencoded(data)
        digest = self._write(picture)
        return TakenIn(digest, len(picture.jpeg), picture.width_px, picture.height_px)

    def keep(self, flaw_id: int, taken: TakenIn, who: str = "") -> FlawPhoto:
        """Keep what was taken in as a photo of a flaw; raises NotFound and BadInput as ``add``."""
        name = text("who", who, 80)
        with self.db.write() as session:
            _flaw(session, flaw_id)
            standing = _standing(session, [flaw_id])
            same = next((row for row in standing if row.digest == taken.digest), None)
            if same is not None:
                return same
            if len(standing) >= MOST_PHOTOS:
                raise BadInput(
                    "photo", say("a flaw has {most_photos} photos at most", most_photos=MOST_PHOTOS)
                )
            row = FlawPhoto(
                flaw_id=flaw_id,
                digest=taken.digest,
                size_bytes=taken.size_bytes,
                width_px=taken.width_px,
                height_px=taken.height_px,
                who=name,
                made_at=self.clock.now(),
            )
            session.add(row)
            session.flush()
        return row

    def undo(self, flaw_id: int, photo_id: int) -> None:
        """Take a photo back; row and file stay, and are not shown. Raises NotFound, Conflict."""
        with self.db.write() as session:
            row = _photo(session, flaw_id, photo_id)
            if row.undone_at is not None:
                raise Conflict(
                    "photo", say("photo {photo_id} is already undone", photo_id=photo_id)
                )
            row.undone_at = self.clock.now()
            session.add(row)

    def of(self, flaw_ids: Iterable[int]) -> list[FlawPhoto]:
        """Photos of flaws that stand, oldest first."""
        with self.db.read() as session:
            return _standing(session, list(flaw_ids))

    def file(self, flaw_id: int, photo_id: int, size: Size = "full") -> Path:
        """Where a photo lies; raises NotFound where it is undone or its file is gone."""
        with self.db.read() as session:
            row = _photo(session, flaw_id, photo_id)
        path = self._path(row.digest, size)
        if row.undone_at is not None or not path.is_file():
            raise NotFound("photo", say("photo {photo_id} is not here any more", photo_id=photo_id))
        return path

    def _write(self, picture: Picture) -> str:
        digest = hashlib.sha256(picture.jpeg).hexdigest()
        files: tuple[tuple[Size, bytes], ...] = (("small", picture.small), ("full", picture.jpeg))
        for size, data in files:
            path = self._path(digest, size)
            if not path.exists():
                path.parent.mkdir(parents=True, exist_ok=True)
                _write(path, data)
        return digest

    def _path(self, digest: str, size: Size) -> Path:
        return self.folder / digest[:2] / f"{digest}{'' if size == 'full' else '-small'}.jpg"


def _write(path: Path, data: bytes) -> None:
    """Write a file whole or not at all, also through a power cut."""
    beside = path.with_name(f"{path.name}.{os.getpid()}.part")
    with beside.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    beside.replace(path)


def _standing(session: Session, flaw_ids: list[int]) -> list[FlawPhoto]:
    rows = session.exec(
        select(FlawPhoto)
        .where(col(FlawPhoto.flaw_id).in_(flaw_ids), col(FlawPhoto.undone_at).is_(None))
        .order_by(col(FlawPhoto.id))
    )
    return list(rows.all())


def _flaw(session: Session, flaw_id: int) -> None:
    if session.get(Flaw, flaw_id) is None:
        raise NotFound("flaw", say("there is no flaw {flaw_id}", flaw_id=flaw_id))


def _photo(session: Session, flaw_id: int, photo_id: int) -> FlawPhoto:
    row = session.get(FlawPhoto, photo_id)
    if row is None or row.flaw_id != flaw_id:
        raise NotFound(
            "photo",
            say("flaw {flaw_id} has no photo {photo_id}", flaw_id=flaw_id, photo_id=photo_id),
        )
    return row
