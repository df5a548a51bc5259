"""Whatever happens to an outbox: nothing twice, nothing lost, nobody woken.

Channels fail for a while, once or for good, senders die with a message in hand, people react, and
the clock goes on through nights; the other side counts.
"""

from __future__ import annotations

import tempfile
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import databases
from equipment import SetClock
from hypothesis import given, settings
from hypothesis import strategies as st
from outboxkit import Kit

from service.shop.telling_rules import read_rules
from service.store.db import Database
from service.store.outbox import Claimed

START = datetime(2026, 3, 28, 15, 0, tzinfo=UTC)
KINDS = ("sand-ready", "stop-spraying", "sensor-silent")
WORKS, LATER, REFUSED, DIES, DIES_AFTER = "works", "later", "refused", "dies", "dies after"

rules = st.fixed_dictionaries(
    {
        "kinds": st.none() | st.lists(st.sampled_from(KINDS), unique=True),
        "breaks_quiet": st.lists(st.sampled_from(KINDS), unique=True, max_size=2),
        "group_min": st.sampled_from([0, 5, 45]),
        "escalate_min": st.none() | st.sampled_from([5, 60]),
        "escalate_kinds": st.lists(st.sampled_from(KINDS), unique=True),
    },
    optional={"night": st.just(("21:00", "07:00"))},
)
ways = st.lists(st.sampled_from(["first", "later"]), min_size=1, max_size=3)
crowd = st.lists(st.tuples(ways, rules, st.integers(0, 3)), min_size=1, max_size=3)
events = st.lists(
    st.one_of(
        st.tuples(st.just("notice"), st.sampled_from(KINDS)),
        st.tuples(st.just("wait"), st.sampled_from([1, 7, 45, 600])),
        st.tuples(st.just("answer"), st.integers(0, 5)),
        st.tuples(st.just("send"), st.integers(1, 4)),
    ),
    min_size=3,
    max_size=25,
)
fates = st.lists(st.sampled_from([WORKS, WORKS, LATER, REFUSED, DIES, DIES_AFTER]), max_size=15)


class World:
    """A kit and the other side, which writes down what it took."""

    def __init__(self, kit: Kit, fates: list[str]) -> None:
        self.kit, self.fates = kit, list(fates)
        self.took: list[tuple[datetime, Claimed]] = []
        self.gone: set[int] = set()
        self.reacted: list[tuple[datetime, int]] = []

    def send(self, most: int = 1000) -> None:
        """Send what is due; the next fates befall it, then every channel that is left works."""
        outbox, tried = self.kit.outbox, set[int]()
        outbox.tell()
        while most > 0 and (claimed := outbox.claim(tried)) is not None:
            most -= 1
            fate = self.fates.pop() if self.fates else WORKS
            if claimed.channel_id in self.gone or fate == REFUSED:
                self.gone.add(claimed.channel_id)
                outbox.refused(claimed.id, "gone")
            elif fate == LATER:
                tried.add(claimed.channel_id)
                outbox.later(claimed.id, "busy")
            elif fate == DIES:
                return
            else:
                self.took.append((self.kit.clock.now(), claimed))
                if fate == DIES_AFTER:
                    return
                outbox.sent(claimed.id)

    def react(self, number: int) -> None:
        if self.took:
            claimed = self.took[number % len(self.took)][1]
            self.kit.outbox.acknowledge(claimed.id)
            self.reacted += [(self.kit.clock.now(), int(n.id or 0)) for n in claimed.notices]


def a_person(kit: Kit, name: str, turns: list[str], told: dict[str, Any], then: int) -> None:
    told = dict(told)
    if night := told.pop("night", None):
        told["quiet_from"], told["quiet_until"] = night
    if told["kinds"] is None:
        del told["kinds"]
    others = [int(p.id or 0) for p in kit.people.people()]
    kit.person(name, *turns, **told, then_person=others[then % len(others)] if others else None)


@given(crowd, events, fates)
@settings(max_examples=40)
def test_nothing_twice_nothing_lost_nobody_woken(crowd, events, fates):
    with tempfile.TemporaryDirectory() as folder:
        database = Database(databases.fresh(Path(folder)))
        try:
            kit = Kit(database, SetClock(START))
            for number, (turns, told, then) in enumerate(crowd):
                a_person(kit, f"P{number}", turns, told, then)
            _live(World(kit, fates), events)
        finally:
            database.dispose()


def _live(world: World, events: list[tuple[str, Any]]) -> None:
    kit = world.kit
    kinds: dict[int, str] = {}
    for event, what in events:
        if event == "notice":
            kinds[kit.notice(what)] = what
            kit.outbox.tell()
        elif event == "wait":
            kit.clock.advance(minutes=what)
        elif event == "answer":
            world.react(what)
        else:
            world.send(what)
    for _ in range(400):
        world.send()
        if not any(state == "waiting" for _, state in kit.states()):
            break
        kit.clock.advance(minutes=30)
    assert not any(state == "waiting" for _, state in kit.states())
    _nothing_twice(world)
    _nothing_lost(world, kinds)
    _nobody_woken(world)
    _nobody_asked_after_an_answer(world)


def _nothing_twice(world: World) -> None:
    ids: dict[tuple[int, int], set[int]] = {}
    for _, claimed in world.took:
        for notice in claimed.notices:
            ids.setdefault((int(notice.id or 0), claimed.channel_id), set()).add(claimed.id)
    assert not [told for told, by in ids.items() if len(by) > 1]


def _nothing_lost(world: World, kinds: dict[int, str]) -> None:
    """Whoever wants a notice has it by some channel, unless all of theirs are gone."""
    reached = Counter(
        (int(n.id or 0), row.person_id)
        for row in world.kit.rows()
        for _, claimed in world.took
        if claimed.id == row.id
        for n in claimed.notices
    )
    for person in world.kit.people.people():
        number = int(person.id or 0)
        channels = {int(c.id or 0) for c in world.kit.people.channels(number)}
        for notice, kind in kinds.items():
            if read_rules(person.telling).wants(kind) and not channels <= world.gone:
                assert reached[notice, number], (notice, person.name)


def _nobody_woken(world: World) -> None:
    of = {row.id: row.person_id for row in world.kit.rows()}
    for at, claimed in world.took:
        told = read_rules(world.kit.people.person(of[claimed.id]).telling)
        if told.quiet is not None and claimed.kind not in told.breaks_quiet:
            assert not told.quiet.holds(at, UTC)


def _nobody_asked_after_an_answer(world: World) -> None:
    """What only asks for a reaction (a higher level) ends with one."""
    levels = {row.id: (row.level, row.tries) for row in world.kit.rows()}
    for at, claimed in world.took:
        level, tries = levels[claimed.id]
        answered = [
            min((when for when, notice in world.reacted if notice == n.id), default=None)
            for n in claimed.notices
        ]
        if level > 0 and tries == 1 and all(when is not None for when in answered):
            assert at <= max(when for when in answered if when is not None)
