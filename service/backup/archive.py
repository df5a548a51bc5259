"""One back-up: a tar of the data folder, its database copied at one instant, and a manifest.

The first member, ``manifest.json``, lists every other with its size and SHA-256. The file is gzip,
or that encrypted in the age format to a public key, so that what can read it need not lie on the
machine that makes it. Any tar and any age tool can open it without us.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import tarfile
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from service.backup.names import ENCRYPTED
from service.store.db import sqlite_path
from service.store.snapshot import check_copy, copy_database, upgrade_copy

__all__ = ["BackupError", "Contents", "check_recipient", "make", "restore"]

MANIFEST = "manifest.json"
FORMAT = 1
CHUNK = 1 << 20
LEVEL = 5


class BackupError(RuntimeError):
    """A back-up cannot be made or used; the message says why."""


@dataclass(frozen=True)
class Contents:
    """What a back-up holds."""

    made_at: datetime
    files: int
    bytes: int


def make(
    data: Path, target: Path, at: datetime, *, recipient: str | None, leave_out: Path | None = None
) -> Contents:
    """Back up a data folder into one file, which is there whole or not at all.

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

    Raises
    ------
    BackupError, DatabaseError, OSError
        Where it cannot be made; then there is no ``target``.
    """
    with tempfile.TemporaryDirectory(prefix=".backup-", dir=target.parent) as made:
        work = Path(made)
        copy = work / sqlite_path(data).name
        copy_database(sqlite_path(data), copy)
        members = [(copy.name, copy), *_others(data, leave_out)]
        packed = work / "packed"
        contents = _pack(members, packed, at)
        if recipient is not None:
            sealed = work / "sealed"
            _encrypt(packed, sealed, recipient)
            packed = sealed
        _settle(packed)
        packed.replace(target)
        _settle(target.parent)
    return contents


def restore(archive: Path, into: Path, *, identity: Path | None = None) -> Contents:
    """Bring a back-up back into a folder that is empty or not there yet.

    Everything is unpacked and checked beside it, the database brought up to this version, and only
    then the folder takes its place: what ends this in between leaves no half of a shop.

    Raises
    ------
    BackupError
        Where the folder is in use, the file is damaged, or the key is missing or wrong.
    DatabaseError
        Where the database in it is broken, or newer than this version.
    """
    if into.exists() and (not into.is_dir() or any(into.iterdir())):
        raise BackupError(f"{into} is not empty; a back-up only goes into an empty folder")
    into.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".restore-", dir=into.parent) as made:
        work = Path(made)
        packed = archive
        if archive.name.endswith(ENCRYPTED):
            packed = work / "packed"
            _decrypt(archive, packed, identity)
        folder = work / "shop"
        folder.mkdir()
        contents = _unpack(packed, folder)
        check_copy(sqlite_path(folder))
        upgrade_copy(folder)
        for path in [*folder.rglob("*"), folder]:
            _settle(path)
        if into.exists():
            into.rmdir()
        folder.replace(into)
        _settle(into.parent)
    return contents


def check_recipient(recipient: str) -> None:
    """Raise BackupError where this is no age public key."""
    age = _age()
    try:
        age.x25519.Recipient.from_str(recipient)
    except age.RecipientError as error:
        raise BackupError(f"{recipient!r} is no age public key (age1...): {error}") from error


# -- in and out of the tar -----------------------------------------------------------------------


def _others(data: Path, leave_out: Path | None) -> Iterator[tuple[str, Path]]:
    """Every other file that is kept: passwords, settings, photos, the shop's own materials."""
    database = sqlite_path(data).name
    for path in sorted(data.rglob("*")):
        name = path.relative_to(data)
        if path.is_symlink() or not path.is_file() or name.name.startswith(database):
            continue
        if any(part.startswith((".backup-", ".restore-")) for part in name.parts):
            continue
        if leave_out is None or not path.is_relative_to(leave_out):
            yield name.as_posix(), path


def _pack(members: list[tuple[str, Path]], target: Path, at: datetime) -> Contents:
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
    manifest = {"format": FORMAT, "made_at": at.astimezone(UTC).isoformat(), "files": listed}
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
            for member in tar:
                if member.name in wanted and member.isfile():
                    tar.extract(member, folder, filter="data")
    except (tarfile.TarError, EOFError, OSError, ValueError, KeyError, TypeError) as error:
        raise BackupError(f"{packed.name} is damaged: {error}") from error
    for name, entry in wanted.items():
        path = folder / name
        if not path.is_file():
            raise BackupError(f"the back-up is damaged: {name} is missing")
        if path.stat().st_size != entry["bytes"] or _digest(path) != entry["sha256"]:
            raise BackupError(f"the back-up is damaged: {name} is not what was packed")
    return _contents(manifest)


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


# -- encryption ----------------------------------------------------------------------------------


def _age() -> Any:
    try:
        import pyrage
    except ImportError as error:
        raise BackupError("encryption needs the extra: pip install 'boothglass[backup]'") from error
    return pyrage


def _encrypt(source: Path, target: Path, recipient: str) -> None:
    check_recipient(recipient)
    age = _age()
    key = age.x25519.Recipient.from_str(recipient)
    age.encrypt_file(str(source), str(target), [key])


def _decrypt(source: Path, target: Path, identity: Path | None) -> None:
    if identity is None:
        raise BackupError("the back-up is encrypted: name the file with its age key, --identity")
    age = _age()
    try:
        lines = identity.read_text(encoding="utf-8").splitlines()
        keys = [
            age.x25519.Identity.from_str(line.strip())
            for line in lines
            if line.strip().startswith("AGE-SECRET-KEY-")
        ]
    except (OSError, UnicodeError, age.IdentityError) as error:
        raise BackupError(f"--identity: {identity} holds no age key: {error}") from error
    if not keys:
        raise BackupError(f"--identity: {identity} holds no age key (AGE-SECRET-KEY-...)")
    try:
        age.decrypt_file(str(source), str(target), keys)
    except age.DecryptError as error:
        raise BackupError(f"{source.name} cannot be opened with that key: {error}") from error
