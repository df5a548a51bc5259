"""The page on faults is what its command makes, and promises no more than it measured."""

from __future__ import annotations

import pytest
import scenarios
import written


@pytest.fixture(scope="module")
def made():
    return written.command("fault_table")


def test_the_page_names_its_command(made):
    assert "python deploy/fault_table.py --rounds 50" in made.PAGE.read_text()


def test_the_table_has_the_columns_and_every_fault(made):
    head, _, *body = written.tables(made)[0]
    assert tuple(head) == made.COLUMNS
    assert len(body) == len(scenarios.ALL)
    assert all(len(line) == len(made.COLUMNS) for line in body)


def test_nothing_was_lost_and_nothing_landed_twice(made):
    for line in written.tables(made)[0][2:]:
        told = dict(zip(made.COLUMNS, line, strict=True))
        assert told["of these lost"] == told["landed twice"] == "0"
        assert told["flags and roll-ups equal a rebuild"] == "yes"
        assert int(told["acknowledged by the service"].replace(",", "")) > 0
