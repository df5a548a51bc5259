"""One back-up: a tar of the data folder, the database copied at one instant, and a manifest.

The database is the SQLite file, or ``boothglass.pgdump`` in the custom format of ``pg_dump``. The
first member, ``manifest.json``, lists every other with its size and SHA-256. The file is gzip,
or that encrypted in the age format to a public key, so that what can read it need not lie on the
machine that makes it. Any tar and any age tool can open it without us.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import shutil
import tarfile
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from service.backup.errors import BackupError
from service.backup.names import ENCRYPTED
from service.backup.sealing import decrypt, encrypt
from service.store import dumps
from service.store.db import known_schemas, sqlite_path
from service.store.snapshot import check_copy, copy_database, upgrade, upgrade_copy

__all__ = ["Contents", "make", "restore"]

MANIFEST = "manifest.json"
DUMP = "boothglass.pgdump"
BROUGHT_BACK = ".brought-back"
"""File in a folder that is in place, while its database still waits to be let go."""
FORMAT = 1
CHUNK = 1 << 20
LEVEL = 5
PASSING = (".backup-", ".restore-", ".figures")
"""Beginnings of names of what is there for a moment only."""


@dataclass(frozen=True)
class Contents:
    """What a back-up holds."""

    made_at: datetime
    files: int
    bytes: int


def make(
    data: Path,
    target: Path,
    at: datetime,
    *,
    recipient: str | None,
    leave_out: Path | None = None,
    database_url: str | None = None,
) -> Contents:
    """Back up a data folder and its database into one file, which is there whole or not at all.

    Parameters
    ----------
    data : Path
        The shop's data folder; the service may be running on it.
    target : Path
        File to write; its folder must exist.
    at : datetime
        When this is.
    recipient : str or None
        age public key (``age1...``) to encrypt to.
    leave_out : Path, optional
        A folder inside ``data`` that is not backed up: where back-ups lie.
    database_url : str, optional
        Address of the PostgreSQL database; unset: the SQLite file in ``data``.

    Raises
    ------
    BackupError, DatabaseError, OSError
        Where it cannot be made; then there is no ``target``.
    """
    with tempfile.TemporaryDirectory(prefix=".backup-", dir=target.parent) as made:
        work = Path(made)
        if database_url is None:
            copy = work / sqlite_path(data).name
            copy_database(sqlite_path(data), copy)
            schema = dumps.schema_of(f"sqlite:///{copy}")
        else:
            copy = work / DUMP
            # Asked first: an upgrade in between makes the dump newer than said, never older.
            schema = dumps.schema_of(database_url)
            dumps.dump(database_url, copy)
        members = [(copy.name, copy), *_others(data, leave_out)]
        packed = work / "packed"
        contents = _pack(members, packed, at, schema)
        if recipient is not None:
            sealed = work / "sealed"
            encrypt(packed, sealed, recipient)
            packed = sealed
        packed.chmod(0o600)  # whoever reads it has the shop, and its keys
        _settle(packed)
        packed.replace(target)
        _settle(target.parent)
    return contents


def restore(
    archive: Path, into: Path, *, identity: Path | None = None, database_url: str | None = None
) -> Contents:
    """Bring a back-up back into a folder that is empty or not there yet, and an empty database.

    Everything is unpacked and checked beside it, the database brought up to this version, and only
    then the folder takes its place: what ends this in between leaves no half of a shop. A
    PostgreSQL database that was being filled is opened by no service until the same file is
    brought back once more.

    Parameters
    ----------
    archive, into : Path, Path
        The back-up, and the data folder to make of it.
    identity : Path, optional
        File with the age key of an encrypted back-up.
    database_url : str, optional
        Address of an empty PostgreSQL database, for a back-up of one.

    Raises
    ------
    BackupError
        Where the folder is in use, the file is damaged, or the key is missing or wrong.
    DatabaseError
        Where the database in it is broken or newer than this version, or ``database_url`` is in
        use.
    """
    digest = _digest(archive)
    if _only_to_be_let_go(into, digest, database_url):
        return _let_go(into, str(database_url))
    if into.exists() and (not into.is_dir() or any(into.iterdir())):
        raise BackupError(f"{into} is not empty; a back-up only goes into an empty folder")
    into.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".restore-", dir=into.parent) as made:
        work = Path(made)
        packed = archive
        if archive.name.endswith(ENCRYPTED):
            packed = work / "packed"
            decrypt(archive, packed, identity)
        folder = work / "shop"
        folder.mkdir(mode=0o700)
        contents = _unpack(packed, folder)
        _bring_database(folder, work, digest, database_url)
        if database_url is not None:
            told = {"digest": digest, "files": contents.files, "bytes": contents.bytes}
            told["made_at"] = contents.made_at.isoformat()
            (folder / BROUGHT_BACK).write_text(json.dumps(told), encoding="utf-8")
        for path in [*folder.rglob("*"), folder]:
            _settle(path)
        if into.exists():
            into.rmdir()
        folder.replace(into)
        _settle(into.parent)
    return contents if database_url is None else _let_go(into, database_url)


def _bring_database(folder: Path, work: Path, digest: str, database_url: str | None) -> None:
    """See that the unpacked database is sound; fill the server's from it, if it is a dump."""
    dumped, kept = folder / DUMP, sqlite_path(folder)
    if dumped.exists() != (database_url is not None):
        raise BackupError(
            "the back-up is of a PostgreSQL database: set BOOTHGLASS_DATABASE_URL to an empty one"
            if dumped.exists()
            else "the back-up is of a SQLite database, but BOOTHGLASS_DATABASE_URL is set; "
            "unset it (export-shop and import-shop carry a shop from one to the other)"
        )
    if database_url is None:
        check_copy(kept)
        upgrade_copy(folder)
        return
    dumps.fill(database_url, dumped.rename(work / DUMP), digest)


def _only_to_be_let_go(into: Path, digest: str, database_url: str | None) -> bool:
    """Whether an earlier try put everything in place, and was ended before it said so."""
    try:
        told = json.loads((into / BROUGHT_BACK).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return database_url is not None and told.get("digest") == digest


def _let_go(into: Path, database_url: str) -> Contents:
    """Say that all is in place: the database may be opened, and is brought up to this version."""
    mark = into / BROUGHT_BACK
    told = json.loads(mark.read_text(encoding="utf-8"))
    dumps.end_restore(database_url)
    mark.unlink()
    _settle(into)
    upgrade(database_url)
    return Contents(datetime.fromisoformat(told["made_at"]), told["files"], told["bytes"])


# -- in and out of the tar -----------------------------------------------------------------------


def _others(data: Path, leave_out: Path | None) -> Iterator[tuple[str, Path]]:
    """Every other file that is kept: passwords, settings, photos, the shop's own materials."""
    database = sqlite_path(data).name
    for path in sorted(data.rglob("*")):
        name = path.relative_to(data)
        if path.is_symlink() or not path.is_file() or name.name.startswith(database):
            continue
        if any(part.startswith(PASSING) for part in name.parts):
            continue
        if leave_out is None or not path.is_relative_to(leave_out):
            yield name.as_posix(), path


def _pack(
    members: list[tuple[str, Path]], target: Path, at: datetime, schema: str | None
) -> Contents:
    listed = []
    # A file that goes while we look (a temporary one of the service) is left out.
    held: list[tuple[str, bytes | Path]] = []
    for name, path in members:
        try:
            # Small files may change under way, so what is counted is what is packed.
            body: bytes | Path = path if path.stat().st_size > CHUNK else path.read_bytes()
            listed.append({"name": name, "bytes": _size(body), "sha256": _digest(body)})
        except FileNotFoundError:
            continue
        held.append((name, body))
    manifest = {
        "format": FORMAT,
        "made_at": at.astimezone(UTC).isoformat(),
        "schema": schema,
        "files": listed,
    }
    with tarfile.open(target, "w:gz", compresslevel=LEVEL) as tar:
        _add(tar, MANIFEST, json.dumps(manifest, indent=1).encode(), at)
        for name, body in held:
            _add(tar, name, body, at)
    return _contents(manifest)


def _add(tar: tarfile.TarFile, name: str, body: bytes | Path, at: datetime) -> None:
    info = tarfile.TarInfo(name)
    info.size, info.mode, info.mtime = _size(body), 0o600, int(at.timestamp())
    if isinstance(body, bytes):
        tar.addfile(info, io.BytesIO(body))
    else:
        with body.open("rb") as stream:
            tar.addfile(info, stream)


def _unpack(packed: Path, folder: Path) -> Contents:
    try:
        with tarfile.open(packed, "r:gz") as tar:
            first = tar.next()
            stream = tar.extractfile(first) if first and first.name == MANIFEST else None
            if stream is None:
                raise BackupError(f"{packed.name} is no back-up of ours: it has no {MANIFEST}")
            manifest = json.load(stream)
            wanted = {entry["name"]: entry for entry in manifest["files"]}
            if manifest["format"] != FORMAT:
                raise BackupError("the back-up was made by a newer version of Boothglass")
            _check_schema(manifest.get("schema"))
            for member in tar:
                if member.name in wanted and member.isfile():
                    _take_out(tar, member, folder)
    except (tarfile.TarError, EOFError, OSError, ValueError, KeyError, TypeError) as error:
        raise BackupError(f"{packed.name} is damaged: {error}") from error
    for name, entry in wanted.items():
        path = folder / name
        if not path.is_file():
            raise BackupError(f"the back-up is damaged: {name} is missing")
        if path.stat().st_size != entry["bytes"] or _digest(path) != entry["sha256"]:
            raise BackupError(f"the back-up is damaged: {name} is not what was packed")
    return _contents(manifest)


def _take_out(tar: tarfile.TarFile, member: tarfile.TarInfo, folder: Path) -> None:
    """Unpack one file, which stays inside; tarfile's own filter is not in every Python 3.11."""
    target, inside = folder / member.name, folder.resolve()
    stream = tar.extractfile(member)
    if stream is None or not target.resolve().is_relative_to(inside):
        raise BackupError(f"the back-up is damaged: {member.name} does not belong there")
    target.parent.mkdir(parents=True, exist_ok=True)
    target.touch(mode=0o600)
    with stream, target.open("wb") as out:
        shutil.copyfileobj(stream, out)


def _check_schema(schema: object) -> None:
    """Refuse tables that this version does not know, before anything is done with them."""
    if schema is not None and schema not in known_schemas():
        raise BackupError(
            f"the back-up was made by a newer version of Boothglass (its tables are version "
            f"{schema}); install that version"
        )


def _contents(manifest: dict[str, Any]) -> Contents:
    files = manifest["files"]
    return Contents(
        datetime.fromisoformat(manifest["made_at"]), len(files), sum(f["bytes"] for f in files)
    )


def _size(body: bytes | Path) -> int:
    return len(body) if isinstance(body, bytes) else body.stat().st_size


def _digest(body: bytes | Path) -> str:
    if isinstance(body, bytes):
        return hashlib.sha256(body).hexdigest()
    with body.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _settle(path: Path) -> None:
    """Make sure a file (or what a folder lists) is on the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
