"""The page on faults is what its command makes, and promises no more than it measured."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path

import pytest
import scenarios

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def made():
    sys.path.insert(0, str(ROOT / "deploy"))
    try:
        return importlib.import_module("fault_table")
    finally:
        sys.path.remove(str(ROOT / "deploy"))


def rows(made) -> list[list[str]]:
    text = made.PAGE.read_text()
    inside = text.partition(made.BEGIN)[2].partition(made.END)[0]
    lines = [line for line in inside.splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]


def test_the_page_names_its_command(made):
    assert "python deploy/fault_table.py --rounds 50" in made.PAGE.read_text()


def test_the_table_has_the_columns_and_every_fault(made):
    head, _, *body = rows(made)
    assert tuple(head) == made.COLUMNS
    assert len(body) == len(scenarios.ALL)
    assert all(len(line) == len(made.COLUMNS) for line in body)


def test_nothing_was_lost_and_nothing_landed_twice(made):
    for line in rows(made)[2:]:
        told = dict(zip(made.COLUMNS, line, strict=True))
        assert told["of these lost"] == told["landed twice"] == "0"
        assert told["flags and roll-ups equal a rebuild"] == "yes"
        assert int(told["acknowledged by the service"].replace(",", "")) > 0
