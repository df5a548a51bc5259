"""Column types that keep instants honest."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from sqlalchemy import BigInteger, Dialect, Integer
from sqlalchemy.types import TypeDecorator

__all__ = ["Scaled", "UtcMillis", "from_millis", "to_millis"]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def to_millis(instant: datetime) -> int:
    """Return whole milliseconds since 1970 UTC of an aware instant."""
    if instant.tzinfo is None:
        raise ValueError(f"instant {instant.isoformat()} has no time zone")
    since = instant - _EPOCH
    return (since.days * 86_400 + since.seconds) * 1000 + round(since.microseconds / 1000)


def from_millis(millis: int) -> datetime:
    """Return the aware UTC instant of milliseconds since 1970."""
    return _EPOCH + timedelta(milliseconds=millis)


class UtcMillis(TypeDecorator[datetime]):
    """An aware UTC datetime, kept as a 64-bit count of milliseconds.

    Eight bytes, the same order as time itself, and the same in SQLite and PostgreSQL.
    """

    impl = BigInteger
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> int | None:  # noqa: ARG002 -- SQLAlchemy's signature
        """Turn an aware datetime into milliseconds."""
        return None if value is None else to_millis(value)

    def process_result_value(self, value: int | None, dialect: Dialect) -> datetime | None:  # noqa: ARG002 -- SQLAlchemy's signature
        """Turn milliseconds into an aware datetime."""
        return None if value is None else from_millis(value)


class Scaled(TypeDecorator[float]):
    """A float kept as a whole number of its ``1/scale``: three bytes instead of eight.

    Ten-thousandths of a kelvin or of a percent are far below what any sensor means, and sums of
    whole numbers are exact in whatever order they are made.
    """

    impl = Integer
    cache_ok = True

    def __init__(self, scale: int) -> None:
        super().__init__()
        self.scale = scale

    def process_bind_param(self, value: float | None, dialect: Dialect) -> int | None:  # noqa: ARG002 -- SQLAlchemy's signature
        """Turn a float into whole parts."""
        return None if value is None else round(value * self.scale)

    def process_result_value(self, value: int | None, dialect: Dialect) -> float | None:  # noqa: ARG002 -- SQLAlchemy's signature
        """Turn whole parts into a float."""
        return None if value is None else value / self.scale
