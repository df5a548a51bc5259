"""What the API takes and gives of flaws, their evidence and their photos."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from service.shop.evidence.model import Evidence
from service.shop.flaws import FlawKind
from service.store.flaw_book import Behind
from service.store.tables import Flaw, FlawPhoto
from service.web.models import Instant
from service.web.scalars import InstantIn, RowId

__all__ = [
    "DifferenceOut",
    "EvidenceOut",
    "FlawChangeIn",
    "FlawKindOut",
    "FlawOut",
    "FlawPhotoOut",
    "evidence_out",
    "flaw_out",
    "flaws_out",
    "kind_out",
    "photo_out",
]


class _Out(BaseModel):
    model_config = ConfigDict(from_attributes=True)


class FlawKindOut(_Out):
    """A kind of flaw: how it looks, when it shows, what is usually done; see the data sheet."""

    id: str
    name: str
    plain: str
    looks: str
    shows: str
    remedies: tuple[str, ...]
    cautions: tuple[str, ...]
    basis: str


class FlawPhotoOut(_Out):
    """A photo of a flaw, re-encoded; ``address`` gives it as JPEG, ``small`` a small one."""

    id: int
    flaw: int
    digest: str
    size_bytes: int
    width_px: int
    height_px: int
    who: str
    made_at: Instant
    address: str
    small: str


class FlawOut(_Out):
    """A flaw as it was logged; its evidence has an address of its own."""

    id: int
    instrument: int
    kind: str
    part: str
    severity: int
    seen_at: Instant
    made_at: Instant
    note: str
    who: str
    coat: int | None
    undone_at: Instant | None
    photos: list[FlawPhotoOut]


class DifferenceOut(_Out):
    """A figure of a coat that is not what it was when the flaw was logged; null: not known.

    ``what`` is the figure's name in the evidence, or ``coat``: 0 it was not there, 1 it was.
    """

    coat_id: int
    what: str
    was: float | None
    now: float | None


class EvidenceOut(_Out):
    """What the record shows behind a flaw now, and what has changed since it was logged.

    ``digest`` is the SHA-256 of the coats and of the readings around them as they were sent;
    ``digest_then`` is that of when it was logged.
    """

    evidence: Evidence
    changed: list[DifferenceOut]
    digest: str
    digest_then: str | None
    digest_readings: int
    digest_coats: int


class FlawChangeIn(BaseModel):
    """Details of a flaw to be put right; what is left out stays. ``coat`` null: none named."""

    model_config = ConfigDict(extra="forbid")

    kind: Annotated[str, Field(min_length=1, max_length=32)] | None = None
    part: Annotated[str, Field(max_length=32)] | None = None
    severity: Annotated[int, Field(ge=1, le=3)] | None = None
    seen_at: InstantIn | None = None
    note: Annotated[str, Field(max_length=2000)] | None = None
    who: Annotated[str, Field(max_length=80)] | None = None
    coat: RowId | None = None


def kind_out(kind: FlawKind) -> FlawKindOut:
    """A kind of flaw."""
    return FlawKindOut.model_validate(kind)


def photo_out(row: FlawPhoto) -> FlawPhotoOut:
    """A photo of a flaw."""
    address = f"/api/v1/flaws/{row.flaw_id}/photos/{row.id}"
    return FlawPhotoOut(
        id=int(row.id or 0),
        flaw=row.flaw_id,
        digest=row.digest,
        size_bytes=row.size_bytes,
        width_px=row.width_px,
        height_px=row.height_px,
        who=row.who,
        made_at=row.made_at,
        address=address,
        small=f"{address}?size=small",
    )


def flaw_out(row: Flaw, photos: Sequence[FlawPhoto]) -> FlawOut:
    """A flaw with its photos."""
    return FlawOut(
        id=int(row.id or 0),
        instrument=row.instrument_id,
        kind=row.kind,
        part=row.part,
        severity=row.severity,
        seen_at=row.seen_at,
        made_at=row.made_at,
        note=row.note,
        who=row.who,
        coat=row.coat_id,
        undone_at=row.undone_at,
        photos=[photo_out(photo) for photo in photos if photo.flaw_id == row.id],
    )


def flaws_out(rows: Sequence[Flaw], photos: Sequence[FlawPhoto]) -> list[FlawOut]:
    """Flaws with their photos."""
    return [flaw_out(row, photos) for row in rows]


def evidence_out(behind: Behind) -> EvidenceOut:
    """Evidence of a flaw."""
    return EvidenceOut(
        evidence=behind.evidence,
        changed=[DifferenceOut.model_validate(one) for one in behind.changed],
        digest=behind.digest.sha256,
        digest_then=behind.digest_then,
        digest_readings=behind.digest.readings,
        digest_coats=behind.digest.coats,
    )
