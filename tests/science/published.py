"""Published figures with their sources, read from check_values.json, as test parameters.

A test module claims the rows it checks by asking for them here; test_published.py then sees to it
that each row of the topics of `science` is either claimed or excused by name with a reason.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest

Row = dict[str, Any]

ROWS: dict[str, Row] = {
    row["id"]: row
    for row in json.loads(Path(__file__).with_name("check_values.json").read_text(encoding="utf-8"))
}
CLAIMED: set[str] = set()


def row(row_id: str) -> Row:
    """One row by its id; claims it."""
    CLAIMED.add(row_id)
    return ROWS[row_id]


def rows(pattern: str) -> list[Any]:
    """Parameters for all rows whose whole id matches the regular expression; claims them."""
    found = [pytest.param(row(i), id=i) for i in ROWS if re.fullmatch(pattern, i)]
    if not found:
        msg = f"no published row matches {pattern!r}"
        raise LookupError(msg)
    return found


def near(row: Row, expected: float | None = None, *, tolerance: str | None = None) -> Any:
    """What a result must be close to, at the tolerance that the row states.

    `tolerance` picks one where the row states several ("±0.1 against ...; ±0.25 for ..."), and
    must occur in the row's own text.
    """
    value = row["expected"] if expected is None else expected
    text = row["tolerance"]
    if tolerance is not None:
        assert tolerance in text
        text = tolerance
    if text.startswith("exact"):
        return pytest.approx(value, rel=1e-9, abs=1e-12)  # rounding of the published figure
    if relative := re.match(r"rel ([\d.e-]+)", text):
        return pytest.approx(value, rel=float(relative[1]))
    if percent := re.match(r"[±]?([\d.]+) %(?!RH)", text):
        return pytest.approx(value, rel=float(percent[1]) / 100.0)
    if absolute := re.match(r"[±]?([\d.e-]+)", text):
        return pytest.approx(value, abs=float(absolute[1]))
    msg = f"tolerance of {row['id']} not understood: {text!r}"
    raise ValueError(msg)
