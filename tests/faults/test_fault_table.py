"""The page on faults is what its command makes, and promises no more than it measured."""

from __future__ import annotations

import crew_rig
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


@pytest.fixture(scope="module")
def of_workers():
    return written.command("crew_table")


def test_the_page_names_the_command_for_workers_and_its_hundred_strikes(of_workers):
    assert "python deploy/crew_table.py --strikes 100" in of_workers.PAGE.read_text()
    head, _, *body = written.tables(of_workers)[0]
    assert tuple(head) == of_workers.STRIKES
    *kinds, (all_of_them, in_all, *_) = body
    assert [kind for kind, *_ in kinds] == list(crew_rig.KINDS)
    assert all_of_them == "all"
    assert int(in_all) == sum(int(often) for _, often, *_ in kinds) == 100


def test_workers_lost_nothing_and_told_nothing_twice(of_workers):
    head, _, *body = written.tables(of_workers)[1]
    assert tuple(head) == of_workers.COUNTS
    assert len(body) == 5
    for line in body:
        told = dict(zip(of_workers.COUNTS, line, strict=True))
        assert int(told["how many"].replace(",", "")) > 0
        assert told["lost"] == "0"
        assert told["doubled"] in {"0", "-"}
