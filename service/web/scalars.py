"""Single values as addresses and bodies carry them, within what can be kept and reckoned with."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

from pydantic import AwareDatetime, Field

__all__ = ["InstantIn", "RowId"]

RowId = Annotated[int, Field(ge=0, le=2**31 - 1)]
"""The id of a row: as large as the columns of ids are in every database, and no larger."""

InstantIn = Annotated[
    AwareDatetime,
    Field(ge=datetime(1900, 1, 1, tzinfo=UTC), lt=datetime(2500, 1, 1, tzinfo=UTC)),
]
"""An instant with its offset, with room on either side to count days from it."""
