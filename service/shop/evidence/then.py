"""Evidence as plain data, and what is different between then and now."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from service.shop.evidence.model import CoatEvidence, Evidence

__all__ = ["Difference", "differences", "plain"]

STEPS = {"air_c": 0.05, "rh_pct": 0.5, "dew_point_c": 0.05, "film_floor_c": 0.05,
         "blush_margin_k": 0.05, "clock": 0.01}  # fmt: skip
"""Differences smaller than this are not told."""

LEAST_PART = {"clock": 0.01}
"""Nor are those of a smaller part of the figure: what a shop teaches shifts every old clock."""


@dataclass(frozen=True)
class Difference:
    """A figure of a coat that is not what it was when the flaw was logged; None: not known."""

    coat_id: int
    what: str
    was: float | None
    now: float | None


def plain(value: Any) -> Any:
    """Turn dataclasses, tuples and instants into what JSON can carry, nothing rounded."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    return value


def differences(kept: Mapping[str, Any], now: Evidence) -> tuple[Difference, ...]:
    """Compare the air, film and wait of each coat as kept with a flaw (by :func:`plain`) with now.

    Coats that are only in one of them are told as ``coat`` (0 absent, 1 there).
    """
    then = {c["coat_id"]: c for c in kept.get("coats", []) if "air_at" in c}
    found: list[Difference] = []
    if not then and not now.coats:
        return ()
    for coat in now.coats:
        before = then.pop(coat.coat_id, None)
        if before is None:
            found.append(Difference(coat.coat_id, "coat", 0.0, 1.0))
            continue
        found += _of_coat(before, coat)
    found += [Difference(coat_id, "coat", 1.0, 0.0) for coat_id in then]
    return tuple(found)


def _of_coat(before: Mapping[str, Any], coat: CoatEvidence) -> list[Difference]:
    pairs: list[tuple[str, str, Any]] = [
        ("air_c", "air_at", coat.air_at),
        ("rh_pct", "air_at", coat.air_at),
        ("dew_point_c", "air_at", coat.air_at),
        ("film_floor_c", "film_at", coat.film_at),
        ("blush_margin_k", "film_at", coat.film_at),
        ("clock", "waited", coat.waited),
    ]
    found = []
    for name, group, holder in pairs:
        was = (before.get(group) or {}).get(name)
        is_now = None if holder is None else getattr(holder, name)
        if was is None and is_now is None:
            continue
        if (
            was is None
            or is_now is None
            or abs(is_now - was) > max(STEPS[name], LEAST_PART.get(name, 0.0) * abs(was))
        ):
            found.append(Difference(coat.coat_id, name, was, is_now))
    return found
