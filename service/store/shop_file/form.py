"""The form of a shop file: names of its members, and how values are written.

Instants are ISO 8601 in UTC to the millisecond, figures are in the unit that their column's name
says, bytes are base64, and what is JSON in the database is JSON here.
"""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    Float,
    Integer,
    LargeBinary,
    Select,
    String,
    Table,
    Text,
    select,
    type_coerce,
)
from sqlalchemy.sql.schema import Column
from sqlalchemy.types import TypeDecorator, TypeEngine

from service.store.types import Scaled, UtcMillis, from_millis, to_millis

__all__ = [
    "FORMAT",
    "KIND",
    "MANIFEST",
    "MEMBER",
    "Field",
    "ShopFileError",
    "as_line",
    "field_of",
    "member_of_table",
    "plainly",
]

KIND = "boothglass-shop"
FORMAT = 1
MANIFEST = "manifest.json"

MEMBER = re.compile(
    r"tables/[a-z]\w{0,62}\.jsonl"
    r"|photos/[0-9a-f]{2}/[0-9a-f]{64}(-small)?\.jpg"
    r"|(materials|schedules|flaws)/[\w-][\w.-]{0,99}\.yaml",
    re.ASCII,
)
"""What a member may be called; nothing else is taken out of a file."""


class ShopFileError(RuntimeError):
    """A shop file cannot be written or used; the message says why."""


@dataclass(frozen=True)
class Field:
    """A column of a table in the file.

    ``kind`` is instant, parts (a figure that is kept in whole parts, ``per_unit`` of them), json,
    bytes, boolean, integer, number or text.
    """

    name: str
    kind: str
    per_unit: int | None = None

    def as_data(self) -> dict[str, Any]:
        """Return what the manifest says of it."""
        told: dict[str, Any] = {"name": self.name, "kind": self.kind}
        return told if self.per_unit is None else told | {"per_unit": self.per_unit}

    @classmethod
    def of(cls, told: Mapping[str, Any]) -> Field:
        """Return it as the manifest says; raises KeyError, TypeError or ValueError."""
        field = cls(str(told["name"]), str(told["kind"]), told.get("per_unit"))
        if field.kind not in _KINDS or (field.kind == "parts") != isinstance(field.per_unit, int):
            raise ValueError(f"{field.name}: unknown kind of column {field.kind!r}")
        return field

    @property
    def database_type(self) -> TypeEngine[Any]:
        """Type in which it lies in the database."""
        return _KINDS[self.kind].database_type

    def writer(self) -> Callable[[Any], Any] | None:
        """What makes a value of the database one of the file; None: it is the same."""
        if self.per_unit is not None:
            per_unit = self.per_unit
            return lambda parts: None if parts is None else parts / per_unit
        return _kept_none(_KINDS[self.kind].write)

    def reader(self) -> Callable[[Any], Any]:
        """What makes a value of the file one of the database.

        It raises ValueError, TypeError or OverflowError for what cannot be one.
        """
        if self.per_unit is not None:
            per_unit = self.per_unit
            return lambda figure: None if figure is None else round(_number(figure) * per_unit)
        read = _kept_none(_KINDS[self.kind].read)
        return read if read is not None else lambda value: value


@dataclass(frozen=True)
class _Kind:
    database_type: TypeEngine[Any]
    write: Callable[[Any], Any] | None
    read: Callable[[Any], Any] | None


def field_of(column: Column[Any]) -> Field:
    """Return how a column of our tables is written."""
    kind = column.type
    if isinstance(kind, Scaled):
        return Field(column.name, "parts", kind.scale)
    if isinstance(kind, TypeDecorator) and not isinstance(kind, UtcMillis):
        kind = kind.impl_instance
    for base, name in _NAMES:
        if isinstance(kind, base):
            return Field(column.name, name)
    raise ShopFileError(f"{column}: no way to write a {kind!r}")


def member_of_table(table: str) -> str:
    """Name of the member that holds a table."""
    return f"tables/{table}.jsonl"


def plainly(table: Table, dialect: str) -> Select[Any]:
    """Ask for all rows of a table as they lie in it, in the order of their key.

    Texts are put in the order of their bytes, as SQLite does, whatever the server's language.
    """
    plain = [type_coerce(column, field_of(column).database_type) for column in table.columns]
    keys: list[Any] = list(table.primary_key.columns)
    if dialect == "postgresql":
        keys = [k.collate("C") if field_of(k).kind == "text" else k for k in keys]
    return select(*plain).order_by(*keys)


def as_line(row: dict[str, Any]) -> bytes:
    """Write a row as a line; the same row is always the same bytes."""
    return _ENCODER.encode(row).encode() + b"\n"


_ENCODER = json.JSONEncoder(separators=(",", ":"), allow_nan=False)


def _instant(millis: int) -> str:
    return f"{from_millis(millis).isoformat(timespec='milliseconds')[:-6]}Z"


def _millis(said: Any) -> int:
    return to_millis(datetime.fromisoformat(_text(said)))


def _text(said: Any) -> str:
    if not isinstance(said, str):
        raise TypeError(f"expected a text, not {said!r:.60}")
    return said


def _integer(said: Any) -> int:
    if not isinstance(said, int) or isinstance(said, bool):
        raise TypeError(f"expected a whole number, not {said!r:.60}")
    return said


def _number(said: Any) -> float:
    if not isinstance(said, int | float) or isinstance(said, bool):
        raise TypeError(f"expected a number, not {said!r:.60}")
    return float(said)


def _boolean(said: Any) -> bool:
    if not isinstance(said, bool):
        raise TypeError(f"expected true or false, not {said!r:.60}")
    return said


def _kept_none(change: Callable[[Any], Any] | None) -> Callable[[Any], Any] | None:
    if change is None:
        return None
    return lambda value: None if value is None else change(value)


_KINDS: Mapping[str, _Kind] = {
    "instant": _Kind(BigInteger(), _instant, _millis),
    "parts": _Kind(Integer(), None, None),
    "json": _Kind(JSON(), None, None),
    "bytes": _Kind(
        LargeBinary(),
        lambda raw: base64.b64encode(raw).decode(),
        lambda said: base64.b64decode(_text(said), validate=True),
    ),
    "boolean": _Kind(Boolean(), None, _boolean),
    "integer": _Kind(BigInteger(), None, _integer),
    "number": _Kind(Float(), float, _number),
    "text": _Kind(Text(), None, _text),
}

_NAMES: tuple[tuple[type[Any], str], ...] = (
    (UtcMillis, "instant"),
    (JSON, "json"),
    (LargeBinary, "bytes"),
    (Boolean, "boolean"),
    (Integer, "integer"),  # and BigInteger
    (Float, "number"),
    (String, "text"),  # and Text
)
