"""Who is told what, when: nobody twice, nothing lost, nothing at night that may not be."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.shop.quiet import QuietHours
from service.shop.telling import (
    Group,
    Hearer,
    Planned,
    Rules,
    Step,
    Told,
    Way,
    backoff,
    other_ways,
    plan,
    steps_of,
    too_late,
)

NOON = datetime(2025, 3, 29, 12, 0, tzinfo=UTC)  # the day before clocks change in Lisbon
ZONE = ZoneInfo("Europe/Lisbon")
KINDS = ("sand-ready", "stop-spraying", "sensor-silent")

kinds = st.none() | st.frozensets(st.sampled_from(KINDS))
mornings = st.sampled_from([time(1, 30), time(7)])
quiets = st.none() | st.builds(QuietHours, st.just(time(21)), mornings)
rules = st.builds(
    Rules,
    kinds=kinds,
    quiet=quiets,
    breaks_quiet=st.frozensets(st.sampled_from(KINDS), max_size=2),
    group_min=st.sampled_from([0.0, 5.0, 60.0]),
    escalate_min=st.none() | st.sampled_from([1.0, 10.0, 300.0]),
    escalate_kinds=st.frozensets(st.sampled_from(KINDS)),
    then_person=st.none() | st.integers(1, 4),
)


@st.composite
def people(draw: st.DrawFn) -> list[Hearer]:
    channel = iter(range(1, 100))
    return [
        Hearer(
            person,
            draw(rules),
            tuple(
                Way(next(channel), draw(st.sampled_from(["first", "later", "off"])), draw(kinds))
                for _ in range(draw(st.integers(0, 3)))
            ),
        )
        for person in range(1, 1 + draw(st.integers(1, 4)))
    ]


class Outbox:
    """The plainest outbox: a step goes out as soon as it is due, and nobody ever reacts."""

    def __init__(self) -> None:
        self.waiting: dict[str, tuple[Group, list[int], dict[Step, datetime]]] = {}
        self.sent: list[tuple[datetime, Step, str, tuple[int, ...]]] = []

    def open_groups(self) -> list[Group]:
        return [
            Group(g.key, g.kind, g.owner_id, g.steps, tuple(notices))
            for g, notices, dues in self.waiting.values()
            if len(dues) == len(g.steps)
        ]

    def take(self, planned: list[Planned]) -> None:
        for item in planned:
            if item.dues:
                self.waiting[item.group.key] = (item.group, [], dict(item.dues))
            self.waiting[item.group.key][1].extend(item.joined)

    def send(self, now: datetime) -> None:
        for key, (group, notices, dues) in list(self.waiting.items()):
            for step, due in sorted(dues.items(), key=lambda pair: pair[1]):
                if due <= now:
                    self.sent.append((due, step, group.kind, tuple(notices)))
                    del dues[step]
            if not dues:
                del self.waiting[key]


arrivals = st.lists(
    st.tuples(st.integers(0, 24 * 60), st.sampled_from(KINDS)), min_size=1, max_size=12
)


@given(people(), arrivals, st.integers(0, 12), people())
def test_nothing_is_told_twice_nothing_is_lost_nothing_wakes_anybody(hearers, came, change, other):
    """Over a day in which clocks change; rules may become others in the middle of it."""
    outbox, wanted = Outbox(), []
    for number, (minute, kind) in enumerate(sorted(came), 1):
        if number == change:
            channels = {h.person_id: h.ways for h in hearers}
            hearers = [Hearer(h.person_id, h.rules, channels.get(h.person_id, ())) for h in other]
        now = NOON + timedelta(minutes=minute)
        outbox.send(now)
        outbox.take(plan([Told(number, kind)], hearers, outbox.open_groups(), now, ZONE))
        wanted += [
            (number, hearer.person_id)
            for hearer in hearers
            if hearer.rules.wants(kind) and any(hearer.ways_for(kind))
        ]
    outbox.send(NOON + timedelta(days=10))
    assert not outbox.waiting
    reached = Counter(
        (notice, step.person_id, step.channel_id)
        for _, step, _, notices in outbox.sent
        for notice in notices
    )
    assert not [told for told, count in reached.items() if count > 1]
    assert set(wanted) <= {(notice, person) for notice, person, _ in reached}
    if change > len(came) or change == 0:  # else a rule may have been another one when it was due
        by_id = {hearer.person_id: hearer.rules for hearer in hearers}
        for due, step, kind, _ in outbox.sent:
            own = by_id[step.person_id]
            assert own.quiet is None or kind in own.breaks_quiet or not own.quiet.holds(due, ZONE)


@given(people())
def test_no_two_peoples_rules_make_the_same_step(hearers):
    for kind in KINDS:
        steps = [s for own in steps_of(kind, hearers).values() for s in own]
        assert len({(s.person_id, s.channel_id) for s in steps}) == len(steps)


def ana(**more) -> Hearer:
    return Hearer(1, Rules(**more), (Way(11), Way(12, "later")))


BEN = Hearer(2, Rules(kinds=frozenset()), (Way(21),))


def test_several_of_a_kind_become_one_message():
    first = plan([Told(1, "sand-ready")], [ana()], [], NOON, ZONE)
    group = first[0].group
    assert first[0].dues == {Step(0, 1, 11): NOON + timedelta(minutes=5)}
    more = [Told(2, "sand-ready"), Told(3, "sand-ready"), Told(4, "sensor-silent")]
    later = plan(more, [ana()], [group], NOON + timedelta(minutes=3), ZONE)
    assert [(p.group.key, p.joined, bool(p.dues)) for p in later] == [
        (group.key, (2, 3), False),
        ("n4-p1", (4,), True),
    ]


def test_stop_spraying_goes_at_once_even_at_night():
    night = datetime(2025, 3, 29, 23, 30, tzinfo=UTC)
    held = ana(quiet=QuietHours(time(21), time(7)))
    (stop,) = plan([Told(1, "stop-spraying")], [held], [], night, ZONE)
    (sand,) = plan([Told(2, "sand-ready")], [held], [], night, ZONE)
    assert list(stop.dues.values()) == [night]
    # 07:00 in Lisbon is 06:00 UTC on that Sunday: summer time has begun.
    assert list(sand.dues.values()) == [datetime(2025, 3, 30, 6, 0, tzinfo=UTC)]


def test_who_does_not_react_is_asked_by_the_next_channel_and_then_the_next_person():
    told = ana(escalate_min=10.0, then_person=2)
    (stop,) = plan([Told(1, "stop-spraying")], [told, BEN], [], NOON, ZONE)
    assert stop.dues == {
        Step(0, 1, 11): NOON,
        Step(1, 1, 12): NOON + timedelta(minutes=10),
        Step(2, 2, 21): NOON + timedelta(minutes=20),
    }
    # What is not among the kinds that escalate goes by the first channel alone.
    assert steps_of("sand-ready", [told, BEN])[1] == {Step(0, 1, 11)}


def test_a_line_that_runs_in_a_circle_ends():
    one = Hearer(1, Rules(escalate_min=1.0, then_person=2), (Way(11),))
    two = Hearer(2, Rules(kinds=frozenset(), then_person=1), (Way(21),))
    assert steps_of("stop-spraying", [one, two]) == {1: {Step(0, 1, 11), Step(1, 2, 21)}}


def test_a_channel_that_failed_is_followed_by_those_not_tried():
    assert other_ways(ana(), "sand-ready", [11]) == [12]
    assert other_ways(ana(), "sand-ready", [11, 12]) == []


def test_tries_wait_longer_each_time_up_to_half_an_hour():
    waits = [backoff(n) for n in range(1, 12)]
    assert waits[0] == timedelta(seconds=20)
    assert waits == sorted(waits)
    assert waits[-1] == timedelta(minutes=30)
    assert not too_late(NOON, NOON + timedelta(hours=48))
    assert too_late(NOON, NOON + timedelta(hours=48, seconds=1))


@pytest.mark.parametrize("kind", KINDS)
def test_channels_that_all_come_later_come_at_once(kind):
    assert Hearer(1, Rules(), (Way(5, "later"),)).ways_for(kind) == ([5], [])
    assert Hearer(1, Rules(), (Way(5, "off"),)).ways_for(kind) == ([], [])
