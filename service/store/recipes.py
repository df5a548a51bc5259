"""What the shop writes over materials and schedules: added as versions, never changed.

The data sheet on the can overrules what ships: its figures are entered here. Work that was begun
keeps the figures it was begun under.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, cast

import yaml
from sqlmodel import Session, col, select

from service.clock import Clock
from service.shop.materials import Material
from service.shop.said import say
from service.shop.schedule import Schedule
from service.store.catalogue import (
    Catalogue,
    CatalogueError,
    Kind,
    parse_material,
    parse_schedule,
)
from service.store.db import Database
from service.store.errors import BadInput, NotFound
from service.store.fields import one_of
from service.store.fields import text as short_text
from service.store.tables import CatalogueVersion
from service.store.wire import RECIPES, announce

__all__ = ["LIMITS", "MARK_FIGURES", "RecipeBook", "Version"]

LONGEST_TEXT = 40_000
LIMITS = ("air_min_c", "air_max_c", "rh_max_pct", "dew_point_margin_k", "blush_margin_k")
MARK_FIGURES = ("hours", "low", "high", "closes")


@dataclass(frozen=True)
class Version:
    """One version of a material or schedule; ``number`` None: as it was read from files."""

    number: int | None
    text: str
    who: str = ""
    note: str = ""
    row: CatalogueVersion | None = None


class RecipeBook:
    """Reads and writes versions; the catalogue it was given always holds the newest."""

    def __init__(self, db: Database, clock: Clock, catalogue: Catalogue) -> None:
        self.db, self.clock, self.catalogue = db, clock, catalogue
        self._from_files = dict(catalogue.texts)
        self._seen = 0
        self.refresh()

    def write(self, kind: Kind, text: str, *, who: str = "", note: str = "") -> tuple[str, int]:
        """Keep a material or schedule as a new version that holds from now on.

        Returns its id, as the text has it, and the version.

        Raises
        ------
        BadInput
            Naming ``text`` with the line and field that are wrong.
        """
        if len(text) > LONGEST_TEXT:
            raise BadInput(
                "text",
                say(
                    "is {length:d} characters long; {most:d} at most",
                    length=len(text),
                    most=LONGEST_TEXT,
                ),
            )
        with self.db.write() as session:
            try:
                entry = _parsed(kind, text)
                self.catalogue.check(entry)
            except CatalogueError as error:
                raise BadInput("text", str(error)) from error
            number = self._next(session, kind, entry.id)
            session.add(
                CatalogueVersion(
                    kind=kind,
                    entry_id=entry.id,
                    version=number,
                    text=text,
                    who=short_text("who", who, 80),
                    note=short_text("note", note, 500),
                    made_at=self.clock.now(),
                )
            )
            announce(session, RECIPES)
        self.catalogue.add(entry, text, number)
        return entry.id, number

    def enter_figures(
        self,
        material_id: str,
        *,
        marks: Mapping[str, Mapping[str, float | None]],
        limits: Mapping[str, float],
        basis: str,
        who: str = "",
    ) -> int:
        """Enter figures of a data sheet over those that hold; the rest stays as it is.

        Parameters
        ----------
        marks : mapping
            By mark, any of ``hours``, ``low``, ``high`` and ``closes`` (None: never closes).
        limits : mapping
            By name of the limit.
        basis : str
            What the figures rest on, such as the data sheet and its date.
        """
        data = yaml.safe_load(self.text("material", material_id))
        said = short_text("basis", basis, 120, required=True)
        for name, figures in marks.items():
            if name not in data["marks"]:
                raise BadInput(
                    "marks",
                    say("{material_id} has no mark {name!r}", material_id=material_id, name=name),
                )
            data["marks"][name] = _with_figures(data["marks"][name], figures, said)
        for name, value in limits.items():
            one_of("limits", name, LIMITS)
            data["limits"][name] = {"value": value, "basis": said}
        text = yaml.safe_dump(data, sort_keys=False, allow_unicode=True, width=100)
        return self.write("material", text, who=who, note=said)[1]

    def text(self, kind: Kind, entry_id: str) -> str:
        """Return the YAML that holds; raises NotFound."""
        found = self.catalogue.texts.get((kind, entry_id))
        if found is None:
            raise NotFound(
                kind, say("there is no {kind} {entry_id!r}", kind=kind, entry_id=entry_id)
            )
        return found

    def versions(self, kind: Kind, entry_id: str) -> list[Version]:
        """Return every version, newest first, down to what was read from files; NotFound."""
        self.text(kind, entry_id)
        with self.db.read() as session:
            rows = session.exec(
                select(CatalogueVersion)
                .where(col(CatalogueVersion.kind) == kind)
                .where(col(CatalogueVersion.entry_id) == entry_id)
                .order_by(col(CatalogueVersion.version).desc())
            ).all()
        found = [Version(row.version, row.text, row.who, row.note, row) for row in rows]
        shipped = self._from_files.get((kind, entry_id))
        return found if shipped is None else [*found, Version(None, shipped)]

    def refresh(self) -> None:
        """Take over what another worker has written."""
        with self.db.read() as session:
            rows = session.exec(
                select(CatalogueVersion)
                .where(col(CatalogueVersion.id) > self._seen)
                .order_by(col(CatalogueVersion.id))
            ).all()
        for row in rows:
            self._seen = max(self._seen, int(row.id or 0))
            kind = cast("Kind", row.kind)
            # It was checked when it was written; a mark it needs may since have been taken away.
            entry = _parsed(kind, row.text)
            self.catalogue.add(entry, row.text, row.version)

    def _next(self, session: Session, kind: Kind, entry_id: str) -> int:
        last = session.exec(
            select(CatalogueVersion.version)
            .where(col(CatalogueVersion.kind) == kind)
            .where(col(CatalogueVersion.entry_id) == entry_id)
            .order_by(col(CatalogueVersion.version).desc())
            .limit(1)
        ).first()
        return (last or 0) + 1


def _parsed(kind: Kind, text: str) -> Material | Schedule:
    return parse_material(text, kind) if kind == "material" else parse_schedule(text, kind)


def _with_figures(
    mark: dict[str, Any], figures: Mapping[str, float | None], basis: str
) -> dict[str, Any]:
    """Lay figures over a mark; a range that no longer holds the middle goes."""
    for name in figures:
        one_of("marks", name, MARK_FIGURES)
    changed = {k: v for k, v in {**mark, **figures, "basis": basis}.items() if v is not None}
    if "low" not in figures and changed.get("low", 0.0) > changed["hours"]:
        del changed["low"]
    if "high" not in figures and changed.get("high", changed["hours"]) < changed["hours"]:
        del changed["high"]
    if "closes" in figures:
        changed["closes_basis"] = basis
    if "closes" not in changed:
        changed.pop("closes_basis", None)
    return changed
