"""Several workers: any of them is killed under load, and what they stand on."""

from __future__ import annotations

import crew_rig
import databases
import pytest

pytestmark = [pytest.mark.real, pytest.mark.slow, databases.names_its_own]

PLAN = [
    "the leader killed",
    "the broker killed",
    "the leader stopped, its locks lost",
    "the database server killed",
    "a worker killed",
    "the parent killed",
]


def test_whatever_is_killed_nothing_is_lost_and_nothing_told_twice(tmp_path):
    took, outcome = crew_rig.strike(tmp_path, PLAN, seed=6)
    assert len(took) == len(PLAN)
    assert outcome.good, outcome
    assert min(outcome.taken, outcome.taps, outcome.due, outcome.notices) > 0


def test_a_plan_has_every_kind_in_its_share():
    plan = crew_rig.planned(100, seed=1)
    assert {kind: plan.count(kind) for kind in plan} == {
        kind: share for kind, (_, share) in crew_rig.KINDS.items()
    }
