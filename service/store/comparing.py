"""Flawed coats against clean ones over the shop's record: in which air a kind of flaw comes."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from types import MappingProxyType
from typing import Literal

import numpy as np
from sqlmodel import Session, col, select

from service.clock import Clock
from service.shop.compare import Bin, Split, by_bins, split
from service.shop.said import say
from service.store.catalogue import Catalogue
from service.store.db import Database
from service.store.errors import NotFound
from service.store.fields import one_of
from service.store.flaw_evidence import Gathering, coats_under
from service.store.flaw_film import blush_margins
from service.store.pieces import load_piece
from service.store.tables import Coat, Flaw

__all__ = ["MEASURES", "CoatRow", "Compared", "Comparer", "Measure", "Suggestion"]

REACH = timedelta(days=730)
MOST_COATS = 400
"""So many of the newest coats are looked at; each needs its air and its film."""


@dataclass(frozen=True)
class Measure:
    """A figure of a coat's air that flaws are counted by.

    ``limit`` is the material's limit over it, which keeps the side ``keep`` of ``candidates``.
    """

    name: str
    unit: str
    edges: tuple[float, ...]
    limit: str
    keep: Literal["below", "above"]
    candidates: tuple[float, ...]


def _steps(low: float, high: float, step: float) -> tuple[float, ...]:
    return tuple(low + step * n for n in range(round((high - low) / step) + 1))


MEASURES: Mapping[str, Measure] = MappingProxyType(
    {
        "rh_pct": Measure(
            "relative humidity", "%", (45.0, 55.0, 65.0), "rh_max_pct", "below",
            _steps(40.0, 75.0, 2.5),
        ),
        "air_c": Measure(
            "air", "degC", (16.0, 20.0, 24.0), "air_min_c", "above", _steps(12.0, 22.0, 1.0)
        ),
        "dew_point_margin_k": Measure(
            "work above the dew point", "K", (3.0, 6.0, 9.0), "dew_point_margin_k", "above",
            _steps(2.0, 9.0, 0.5),
        ),
        "blush_margin_k": Measure(
            "wet film above the dew point", "K", (0.0, 2.0, 4.0), "blush_margin_k", "above",
            _steps(-1.0, 5.0, 0.5),
        ),
    }
)  # fmt: skip


@dataclass(frozen=True)
class CoatRow:
    """A coat and whether it has the flaw; a figure that is not known is NaN."""

    instrument_id: int
    shop_number: str
    at: datetime
    flawed: bool
    values: Mapping[str, float]


@dataclass(frozen=True)
class Suggestion:
    """A stricter limit that the shop's own record speaks for; ``now`` is the one in force."""

    measure: str
    limit: str
    now: float
    split: Split

    def reason(self) -> str:
        """Why, as it is kept with the limit."""
        found = self.split
        return (
            f"this shop: {found.refused_flawed} of {found.refused} coats beyond it were flawed, "
            f"{found.kept_flawed} of {found.kept} within it"
        )


@dataclass(frozen=True)
class Compared:
    """Coats of a material, flawed against clean.

    Attributes
    ----------
    left_out
        Coats under a flaw that names none of them: they are neither flawed nor clean.
    """

    rows: tuple[CoatRow, ...]
    left_out: int
    bins: Mapping[str, tuple[Bin, ...]]
    suggestions: tuple[Suggestion, ...]


class Comparer:
    """Looks over the record; writes nothing.

    Parameters
    ----------
    gather : callable
        Returns what gathers the evidence behind a flaw.
    """

    def __init__(
        self,
        db: Database,
        clock: Clock,
        catalogue: Catalogue,
        gather: Callable[[Session, Flaw], Gathering],
    ) -> None:
        self.db, self.clock, self.catalogue = db, clock, catalogue
        self._gather = gather

    def compare(self, kind: str, material_id: str) -> Compared:
        """Count a kind of flaw on the coats of a material of the last two years.

        Raises
        ------
        BadInput, NotFound
            Naming ``kind`` or ``material``.
        """
        one_of("kind", kind, self.catalogue.flaw_kinds)
        if material_id not in self.catalogue.materials:
            raise NotFound("material", say("there is no material {name!r}", name=material_id))
        with self.db.read() as session:
            flawed, unsure = _flawed(session, kind, material_id)
            coats = session.exec(
                select(Coat)
                .where(col(Coat.material_id) == material_id, col(Coat.undone_at).is_(None))
                .where(col(Coat.at) >= self.clock.now() - REACH)
                .order_by(col(Coat.at).desc())
                .limit(MOST_COATS)
            ).all()
            known = [coat for coat in coats if coat.id in flawed or coat.id not in unsure]
            # The evidence of a flaw that was seen now tells the air of any coat of its piece.
            now = self.clock.now()
            pieces = {
                n: self._gather(session, Flaw(instrument_id=n, kind="", seen_at=now))
                for n in sorted({coat.instrument_id for coat in known})
            }
            coated = [Coated(coat, pieces[coat.instrument_id]) for coat in reversed(known)]
            margins = blush_margins([c.film for c in coated])
            rows = tuple(
                c.row(margin, flawed=c.coat.id in flawed)
                for c, margin in zip(coated, margins, strict=True)
            )
        bad = np.array([row.flawed for row in rows], dtype=bool)
        columns = {
            name: np.array([row.values[name] for row in rows], dtype=np.float64)
            for name in MEASURES
        }
        bins = {name: by_bins(columns[name], bad, m.edges) for name, m in MEASURES.items()}
        return Compared(
            rows, len(coats) - len(known), bins, self._suggested(material_id, columns, bad)
        )

    def usual_material(self) -> str:
        """Return the material that most coats of late were of; any where there is none."""
        with self.db.read() as session:
            recent = session.exec(
                select(Coat.material_id)
                .where(col(Coat.undone_at).is_(None))
                .order_by(col(Coat.at).desc())
                .limit(50)
            ).all()
        known = [m for m in recent if m in self.catalogue.materials]
        return max(known, key=known.count) if known else next(iter(self.catalogue.materials))

    def _suggested(
        self, material_id: str, columns: Mapping[str, np.ndarray], bad: np.ndarray
    ) -> tuple[Suggestion, ...]:
        limits = self.catalogue.materials[material_id].limits
        found = []
        for name, measure in MEASURES.items():
            figure = getattr(limits, measure.limit)
            if figure is None:
                continue
            below, values = measure.keep == "below", columns[name]
            stricter = [
                c for c in measure.candidates if (c < figure.value if below else c > figure.value)
            ]
            # Coats beyond the limit in force say nothing of a stricter one.
            within = values <= figure.value if below else values >= figure.value
            best = split(values[within], bad[within], stricter, measure.keep)
            if best is not None:
                found.append(Suggestion(name, measure.limit, figure.value, best))
        return tuple(sorted(found, key=lambda s: -s.split.probability))


def _flawed(session: Session, kind: str, material_id: str) -> tuple[set[int], set[int]]:
    """Coats that a flaw of the kind was put down to, and those under one that names no coat."""
    flawed: set[int] = set()
    unsure: set[int] = set()
    rows = session.exec(
        select(Flaw).where(col(Flaw.kind) == kind, col(Flaw.undone_at).is_(None))
    ).all()
    for flaw in rows:
        if flaw.coat_id is not None:
            flawed.add(flaw.coat_id)
            continue
        under = coats_under(load_piece(session, flaw.instrument_id), flaw)
        own = [int(coat.id or 0) for coat in under if coat.material_id == material_id]
        if len(own) == 1 == len(under):
            flawed |= set(own)
        else:
            unsure |= set(own)
    return flawed, unsure


class Coated:
    """A coat with the air it went on in, and its film as far as the model covers it."""

    def __init__(self, coat: Coat, piece: Gathering) -> None:
        air = piece.air_of(coat)
        self.coat, self.piece = coat, piece
        self.air = None if air is None or air.flagged else air
        self.film = None if self.air is None else piece.film_case_of(coat, self.air)

    def row(self, margin_k: float, *, flawed: bool) -> CoatRow:
        """Put its figures together."""
        values = dict.fromkeys(MEASURES, math.nan)
        if self.air is not None:
            values |= {
                "rh_pct": self.air.rh_pct,
                "air_c": self.air.air_c,
                "blush_margin_k": margin_k,
            }
            if self.air.dew_point_margin_k is not None:
                values["dew_point_margin_k"] = self.air.dew_point_margin_k
        number = self.piece.whole_piece.row.shop_number
        return CoatRow(self.coat.instrument_id, number, self.coat.at, flawed, values)
