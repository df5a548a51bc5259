"""Spray windows of the places, from their outlooks; costly tables are made in the background."""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TypeVar

from service.shop.film_table import FilmTable, Known
from service.shop.materials import Coating, Material
from service.shop.outlook import Paths
from service.shop.said import say
from service.shop.spray_check import SprayCheck
from service.shop.spray_windows import (
    STEPS_H,
    SprayWindow,
    allowed,
    from_then_on,
    next_window,
    spray_windows,
)
from service.store.outlooks import PATHS, Issue

__all__ = ["SprayOutlook", "WindowBook"]

KEPT = 64
"""Tables, and answers, that are kept."""

PASSING = frozenset({"recoat_mark", "cold_work"})
"""What may stand in the way of this piece now and is no matter of the air."""

BEING_MADE = say("the spray windows are being reckoned, and show here in a moment")


@dataclass(frozen=True)
class SprayOutlook:
    """Windows of a place for a material over the next 48 h; ``why_none`` says why it cannot tell.

    No window and an empty ``why_none``: none is likely. ``chances`` are those of *spray* by the
    air alone, at every tenth minute after ``issued_at``.
    """

    windows: tuple[SprayWindow, ...]
    issued_at: datetime | None
    why_none: str = ""
    chances: tuple[float, ...] = ()

    @property
    def next(self) -> SprayWindow | None:
        """The earliest window."""
        return next_window(self.windows)


Key = TypeVar("Key")
Value = TypeVar("Value")
_Wanted = tuple[str, Coating, Known]
_Told = tuple[str, float, str, Coating, Known, float, bool]
_Found = tuple[tuple[SprayWindow, ...], tuple[float, ...]]


class WindowBook:
    """Keeps film tables and what was reckoned with them."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._making = threading.Lock()
        self._tables: OrderedDict[_Wanted, FilmTable] = OrderedDict()
        self._wanted: OrderedDict[_Wanted, Material] = OrderedDict()
        self._told: OrderedDict[_Told, _Found] = OrderedDict()

    def prepare(self) -> int:
        """Make the tables that were missing when asked for; returns how many."""
        made = 0
        while True:
            with self._lock:
                if not self._wanted:
                    return made
                key, material = next(iter(self._wanted.items()))
            self._make(key, material)
            made += 1

    def table(self, material: Material, check: SprayCheck) -> tuple[FilmTable | None, str]:
        """Return the film's table of a check, and why there is none; none is needed with neither.

        A missing one is made by :meth:`prepare`.
        """
        if material.limits.blush_margin_k is None or check.air is None:
            return None, ""
        key = (material.id, check.coating, Known.of(check.air))
        found = self._table(key, material, wait=False)
        return found, "" if found is not None else BEING_MADE

    def of(
        self, issue: Issue, material: Material, check: SprayCheck, now: datetime, *, wait: bool
    ) -> SprayOutlook:
        """Tell the windows of a material and coat as they follow from the check's answer now.

        Parameters
        ----------
        issue : Issue
            The place's outlook.
        check : SprayCheck
            The answer now: whether it is *spray* but for the last coat's wait, and the air.
        wait : bool
            Make a missing table at once (seconds), instead of leaving it to :meth:`prepare`.
        """
        issued_at = datetime.fromtimestamp(issue.issued_s, UTC)
        air = check.air
        if air is None or air.trouble is not None:
            why = say("the air here is not known now") if air is None else air.trouble or ""
            return SprayOutlook((), issued_at, why)
        if any(reason.what == "film_model_range" for reason in check.reasons):
            return SprayOutlook((), issued_at, check.reasons[0].text)
        known = Known.of(air)
        table = None
        if material.limits.blush_margin_k is not None:
            table = self._table((material.id, check.coating, known), material, wait=wait)
            if table is None:
                return SprayOutlook((), issued_at, BEING_MADE)
        blocks = {reason.what for reason in check.reasons if reason.blocks}
        spraying = blocks <= PASSING
        off_k = round(air.surface_c - air.air_c, 1)
        key = (
            issue.place_id, issue.issued_s, material.id, check.coating, known, off_k, spraying,
        )  # fmt: skip
        with self._lock:
            found = self._told.get(key)
        if found is None:
            paths = _ten_minutes(issue)
            may = allowed(paths, air, material, check.coating, table, spraying=spraying)
            chances = tuple(round(float(part), 3) for part in may.mean(axis=0))
            found = spray_windows(paths, may, issued_at), chances
            with self._lock:
                _keep(self._told, key, found)
        windows, chances = found
        current = from_then_on(_from_now(windows, now), _not_before(check))
        return SprayOutlook(current, issued_at, chances=chances)

    def _table(self, key: _Wanted, material: Material, *, wait: bool) -> FilmTable | None:
        with self._lock:
            table = self._tables.get(key)
            if table is None:
                self._wanted[key] = material
        if table is None and wait:
            self._make(key, material)
            with self._lock:
                table = self._tables.get(key)
        return table

    def _make(self, key: _Wanted, material: Material) -> None:
        with self._making:
            with self._lock:
                there = key in self._tables
            try:
                table = None if there else FilmTable(material, key[1], key[2])
            finally:
                with self._lock:
                    self._wanted.pop(key, None)
            if table is not None:
                with self._lock:
                    _keep(self._tables, key, table)


def _ten_minutes(issue: Issue) -> Paths:
    return issue.model.sample_paths(issue.issued_s, PATHS, issue.seed, STEPS_H)


def _from_now(windows: tuple[SprayWindow, ...], now: datetime) -> tuple[SprayWindow, ...]:
    left = from_then_on(windows, now)
    if left and left[0].start_at <= now:
        first = left[0]
        begun = SprayWindow(now, first.end_at, first.probability, first.throughout, open_now=True)
        return (begun, *left[1:])
    return left


def _not_before(check: SprayCheck) -> datetime | None:
    """When the last coat will be ready and the work warm, where they are not yet."""
    known = [way.until for way in check.ways_out if way.kind == "wait" and way.until is not None]
    return max(known, default=None)


def _keep(kept: OrderedDict[Key, Value], key: Key, value: Value) -> None:
    kept[key] = value
    while len(kept) > KEPT:
        kept.popitem(last=False)
