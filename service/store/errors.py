"""What the store refuses, and how it says so."""

from __future__ import annotations

__all__ = ["BadInput", "Conflict", "NotFound", "StoreError"]


class StoreError(Exception):
    """Base of everything the store refuses; ``field`` names what was wrong."""

    def __init__(self, field: str, reason: str) -> None:
        super().__init__(f"{field}: {reason}")
        self.field = field
        self.reason = reason


class NotFound(StoreError):  # noqa: N818 -- reads as what it says
    """No such place, instrument, coat ..."""


class BadInput(StoreError):  # noqa: N818 -- reads as what it says
    """A value that cannot be."""


class Conflict(StoreError):  # noqa: N818 -- reads as what it says
    """A value that is well formed but does not fit what is there."""
