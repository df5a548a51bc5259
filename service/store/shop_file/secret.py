"""What is secret in a shop's record, and stays out of a shop file unless it is asked for.

A table or column that sounds secret and is not spoken of here is left out with its whole table, so
that one that comes later is rather missed than told.
"""

from __future__ import annotations

import re
import secrets
from collections.abc import Callable, Mapping
from typing import Any

from sqlalchemy import Table

__all__ = ["filled_in", "left_out", "plain_fact", "unspoken", "without"]

SECRET_TABLES = frozenset(
    {"apitoken", "devicesession", "onetimelink", "pairingcode", "passkey", "sensorkey"}
    | {"signinfailure"}
)
"""Tables of which nothing is written: all that they hold lets somebody in, or keeps them out."""

SECRET_COLUMNS: Mapping[str, Mapping[str, Any]] = {
    # An empty configuration is a channel that wants setting up again.
    "channel": {"config": {}},
    "delivery": {"ack_token": None},
    # Without a password an account is entered by a link that an owner makes.
    "account": {"password_hash": ""},
}
"""What is written in place of secret columns."""

FILLED_IN: Mapping[tuple[str, str], Callable[[], Any]] = {
    ("delivery", "ack_token"): lambda: secrets.token_urlsafe(16),
}
"""What takes the place of a secret that must not be empty, when a file is read."""

PLAIN = frozenset(
    {("delivery", "key"), ("delivery", "group_key"), ("fact", "key"), ("notice", "key")}
    | {("tap", "key"), ("coat", "step_key"), ("stepdone", "step_key")}
)
"""Columns that sound secret and are not."""

PLAIN_FACTS = re.compile(
    r"settings|first_start|working|verdicts_due|raw_horizon|calendar_told:\w+", re.ASCII
)
"""What the shop remembers by name and may be told; everything else of that is secret."""

SOUNDS_SECRET = re.compile(r"hash|secret|token|passw|credential|private|session|key", re.IGNORECASE)


def unspoken(table: Table) -> list[str]:
    """Names of a table, or of its columns, that sound secret and are not spoken of."""
    if table.name in SECRET_TABLES:
        return []
    spoken = set(SECRET_COLUMNS.get(table.name, ()))
    spoken |= {column for name, column in PLAIN if name == table.name}
    names = [table.name, *(column.name for column in table.columns if column.name not in spoken)]
    return [name for name in names if SOUNDS_SECRET.search(name)]


def left_out(table: Table) -> bool:
    """Whether nothing of a table is written, unless secrets are asked for."""
    return table.name in SECRET_TABLES or bool(unspoken(table))


def without(table: str) -> Callable[[dict[str, Any]], dict[str, Any] | None] | None:
    """What takes the secrets out of a table's rows (None: of a row that is one); None: nothing."""
    if table == "fact":
        return lambda row: row if PLAIN_FACTS.fullmatch(row["key"]) else None
    hidden = SECRET_COLUMNS.get(table)
    return None if hidden is None else lambda row: row | dict(hidden)


def plain_fact(key: str) -> bool:
    """Whether what is remembered by a name may be told."""
    return PLAIN_FACTS.fullmatch(key) is not None


def filled_in(table: str, column: str) -> Callable[[], Any] | None:
    """What makes a new value where a secret was left out; None: nothing does."""
    return FILLED_IN.get((table, column))
