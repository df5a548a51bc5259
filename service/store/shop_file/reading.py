"""A shop file looked through: whose it is, of which version, and whether all of it is sound."""

from __future__ import annotations

import hashlib
import json
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from service.store.db import known_schemas
from service.store.shop_file.form import (
    FORMAT,
    KIND,
    MANIFEST,
    MEMBER,
    Field,
    ShopFileError,
    member_of_table,
)

__all__ = ["Listed", "Progress", "ShopFile", "opened"]

MANIFEST_MOST = 1 << 26
LINE_MOST = 1 << 26
CHUNK = 1 << 18

Progress = Callable[[int, int], None]
"""Told how many bytes of how many are done."""

_DAMAGED = (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError)


@dataclass(frozen=True)
class Listed:
    """A table of the file: its columns, and how many rows it holds."""

    name: str
    fields: tuple[Field, ...]
    rows: int


@dataclass(frozen=True)
class ShopFile:
    """A shop file whose manifest has been read; its content has not been looked at yet."""

    packed: zipfile.ZipFile
    program: str
    schema: str
    made_at: datetime
    secrets: bool
    tables: tuple[Listed, ...]
    digests: dict[str, tuple[int, str]]
    """Size and SHA-256 of each member."""

    @property
    def files(self) -> list[str]:
        """Members that go into the data folder: photos and YAML."""
        return [name for name in self.digests if not name.startswith("tables/")]

    @property
    def size(self) -> int:
        """Bytes of all members, unpacked."""
        return sum(size for size, _ in self.digests.values())

    def check(self, progress: Progress = lambda _done, _total: None) -> None:
        """See that every member is what was written; raises ShopFileError naming one that is not.

        What has passed this is read again later, from a file that nobody may change meanwhile.
        """
        done = 0
        for name, (_size, digest) in self.digests.items():
            found = hashlib.sha256()
            for chunk in self.chunks(name):
                found.update(chunk)
                done += len(chunk)
                progress(done, self.size)
            if found.hexdigest() != digest:
                raise ShopFileError(f"the file is damaged: {name} is not what was written")

    def chunks(self, name: str) -> Iterator[bytes]:
        """Yield a member's bytes."""
        try:
            with self.packed.open(name) as member:
                while chunk := member.read(CHUNK):
                    yield chunk
        except _DAMAGED as error:
            raise ShopFileError(f"the file is damaged at {name}: {error}") from error

    def rows(self, table: Listed) -> Iterator[tuple[int, dict[str, Any]]]:
        """Yield line number and content of each row of a table; raises ShopFileError."""
        name, names, line = member_of_table(table.name), {f.name for f in table.fields}, 0
        try:
            with self.packed.open(name) as member:
                while raw := member.readline(LINE_MOST):
                    line += 1
                    row = json.loads(raw)
                    if not isinstance(row, dict) or row.keys() != names:
                        raise ShopFileError(f"{name}, line {line}: not the columns of the table")
                    yield line, row
        except (ValueError, RecursionError) as error:
            raise ShopFileError(f"{name}, line {line}: is no JSON: {error}") from error
        if line != table.rows:
            raise ShopFileError(f"{name}: {table.rows} rows were written, {line} are there")


@contextmanager
def opened(path: Path) -> Iterator[ShopFile]:
    """Open a shop file and read its manifest.

    Raises
    ------
    ShopFileError
        Where it is none, was cut short, or was written by a newer version.
    OSError
        Where it cannot be read.
    """
    try:
        packed = zipfile.ZipFile(path)
    except zipfile.BadZipFile as error:
        raise ShopFileError(f"{path.name} is no shop file, or was cut short: {error}") from error
    with packed:
        yield _read(packed, path.name)


def _read(packed: zipfile.ZipFile, name: str) -> ShopFile:
    told = _manifest(packed, name)
    if told.get("kind") != KIND:
        raise ShopFileError(f"{name} is no shop file of Boothglass")
    if told.get("format") != FORMAT or told.get("schema") not in known_schemas():
        raise ShopFileError(
            f"{name} was written by another version of Boothglass ({told.get('program')}, tables "
            f"of version {told.get('schema')}), which is newer than this one; install that version"
        )
    try:
        tables = tuple(
            Listed(
                str(entry["name"]),
                tuple(Field.of(column) for column in entry["columns"]),
                int(entry["rows"]),
            )
            for entry in told["tables"]
        )
        digests = {
            str(entry["name"]): (int(entry["bytes"]), str(entry["sha256"]))
            for entry in told["files"]
        }
        made_at = datetime.fromisoformat(told["made_at"])
        secrets = bool(told["secrets"])
    except (KeyError, TypeError, ValueError) as error:
        raise ShopFileError(f"{name} is damaged: {MANIFEST} cannot be used: {error!r}") from error
    _check_members(packed, tables, digests)
    return ShopFile(
        packed, str(told.get("program")), told["schema"], made_at, secrets, tables, digests
    )


def _manifest(packed: zipfile.ZipFile, name: str) -> dict[str, Any]:
    try:
        if packed.getinfo(MANIFEST).file_size > MANIFEST_MOST:
            raise ShopFileError(f"{name} is no shop file of Boothglass: {MANIFEST} is too large")
        told = json.loads(packed.read(MANIFEST))
    except KeyError as error:
        raise ShopFileError(f"{name} is no shop file of Boothglass: no {MANIFEST}") from error
    except (*_DAMAGED, ValueError, RecursionError) as error:
        if isinstance(error, ShopFileError):
            raise
        raise ShopFileError(f"{name} is damaged: {MANIFEST} cannot be read: {error}") from error
    if not isinstance(told, dict):
        raise ShopFileError(f"{name} is no shop file of Boothglass")
    return told


def _check_members(
    packed: zipfile.ZipFile, tables: tuple[Listed, ...], digests: dict[str, tuple[int, str]]
) -> None:
    """See that the ZIP holds what the manifest says, under names that we give, and nothing else."""
    there = [info.filename for info in packed.infolist() if info.filename != MANIFEST]
    if odd := sorted(set(there) ^ digests.keys()) or [n for n in there if there.count(n) > 1]:
        raise ShopFileError(f"the file is damaged: {odd[0]} is in the manifest or the ZIP alone")
    if odd := [name for name in there if not MEMBER.fullmatch(name)]:
        raise ShopFileError(f"the file is no shop file of Boothglass: it holds {odd[0]!r}")
    for name, (size, _) in digests.items():
        if packed.getinfo(name).file_size != size:
            raise ShopFileError(f"the file is damaged: {name} is not as long as was written")
    listed = sorted(member_of_table(table.name) for table in tables)
    if listed != sorted(name for name in digests if name.startswith("tables/")):
        raise ShopFileError(f"the file is damaged: {MANIFEST} and the tables do not agree")
