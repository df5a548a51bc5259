"""Who is told of a notice, by which way, when, and who is asked next if nobody reacts.

A *step* is one message to one person by one channel. All steps of a notice for one person's rules
are a *group*; notices of the same kind that come while nothing of a group has gone out join it.
Everything follows from the notice's kind and the rules, so that two people's rules never make two
messages to the same person by the same channel.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta, tzinfo

from service.shop.quiet import QuietHours

__all__ = [
    "BREAKS_QUIET",
    "PATIENCE",
    "Group",
    "Hearer",
    "Planned",
    "Rules",
    "Step",
    "Told",
    "Way",
    "backoff",
    "other_ways",
    "plan",
    "steps_of",
    "too_late",
]

BREAKS_QUIET = frozenset({"stop-spraying"})
"""Kinds that may be told in quiet hours where a person has said nothing else."""

FIRST_WAIT = timedelta(seconds=20)
LONGEST_WAIT = timedelta(minutes=30)
GIVE_UP_AFTER = timedelta(hours=48)
"""How a message that does not get through is tried again (assumed)."""

PATIENCE = 5
"""Tries in vain after which a person's other channels are asked, if there are any (assumed)."""


@dataclass(frozen=True)
class Way:
    """A channel and its turn: ``first``, ``later`` (only if nobody reacts) or ``off``.

    ``kinds`` are those that go by it; None: all that its person is told.
    """

    channel_id: int
    turn: str = "first"
    kinds: frozenset[str] | None = None

    def carries(self, kind: str) -> bool:
        """Whether a kind may go this way."""
        return self.turn != "off" and (self.kinds is None or kind in self.kinds)


@dataclass(frozen=True)
class Rules:
    """What one person wants to be told, and when.

    ``kinds`` None: all. ``escalate_min`` None: nobody else is asked. ``then_person`` is asked after
    the person's own channels.
    """

    kinds: frozenset[str] | None = None
    quiet: QuietHours | None = None
    breaks_quiet: frozenset[str] = BREAKS_QUIET
    group_min: float = 5.0
    escalate_min: float | None = None
    escalate_kinds: frozenset[str] = BREAKS_QUIET
    then_person: int | None = None

    def wants(self, kind: str) -> bool:
        """Whether this person is told of a kind at all."""
        return self.kinds is None or kind in self.kinds

    def urgent(self, kind: str) -> bool:
        """Whether a kind waits neither for others of its kind nor for the morning."""
        return kind in self.breaks_quiet

    def release(self, kind: str, at: datetime, zone: tzinfo) -> datetime:
        """Return when a kind that is due at an instant may be told."""
        if self.quiet is None or self.urgent(kind):
            return at
        return self.quiet.release(at, zone)


@dataclass(frozen=True)
class Hearer:
    """A person, their rules and their ways."""

    person_id: int
    rules: Rules
    ways: tuple[Way, ...]

    def ways_for(self, kind: str) -> tuple[list[int], list[int]]:
        """Return the channels at once, and those that follow; never the second without the first.

        Somebody whose channels all come later has them at once.
        """
        first = [w.channel_id for w in self.ways if w.carries(kind) and w.turn == "first"]
        later = [w.channel_id for w in self.ways if w.carries(kind) and w.turn == "later"]
        return (first, later) if first else (later, [])


@dataclass(frozen=True)
class Told:
    """A notice, as far as it matters to whom it is told."""

    id: int
    kind: str


@dataclass(frozen=True, order=True)
class Step:
    """One message of a group: the higher its level, the later, and only if nobody reacted."""

    level: int
    person_id: int
    channel_id: int


@dataclass(frozen=True)
class Group:
    """Steps of which nothing has gone out yet, and which notices they tell."""

    key: str
    kind: str
    owner_id: int
    steps: frozenset[Step]
    notices: tuple[int, ...] = ()


@dataclass(frozen=True)
class Planned:
    """A new group with the time of each step, or (``dues`` empty) one that others have joined."""

    group: Group
    joined: tuple[int, ...]
    """Notices that are new in it."""
    dues: Mapping[Step, datetime] = field(default_factory=dict)
    urgent: bool = False


def steps_of(kind: str, hearers: Iterable[Hearer]) -> dict[int, frozenset[Step]]:
    """Return each person's steps for a kind of notice; no two share person and channel."""
    known = {hearer.person_id: hearer for hearer in hearers}
    owners = [known[i] for i in sorted(known) if known[i].rules.wants(kind)]
    ways = {owner.person_id: owner.ways_for(kind) for owner in owners}
    found = {
        person: {Step(0, person, channel) for channel in first}
        for person, (first, _) in ways.items()
        if first
    }
    asked: set[int] = set(found)  # told at once, or already next in somebody's line
    for owner in owners:
        rules, person = owner.rules, owner.person_id
        if person not in found or rules.escalate_min is None or kind not in rules.escalate_kinds:
            continue
        level = 1
        if ways[person][1]:
            found[person] |= {Step(level, person, channel) for channel in ways[person][1]}
            level += 1
        for other in _line(owner, known):
            first, later = other.ways_for(kind)
            if other.person_id in asked or not first:
                continue
            asked.add(other.person_id)
            found[person] |= {Step(level, other.person_id, c) for c in first + later}
            level += 1
    return {person: frozenset(steps) for person, steps in found.items()}


def _line(owner: Hearer, known: Mapping[int, Hearer]) -> list[Hearer]:
    """Return who is asked after a person, and after that one, and so on; nobody twice."""
    line: list[Hearer] = []
    met, here = {owner.person_id}, owner.rules.then_person
    while here is not None and here in known and here not in met:
        met.add(here)
        line.append(known[here])
        here = known[here].rules.then_person
    return line


def plan(
    notices: Sequence[Told],
    hearers: Sequence[Hearer],
    waiting: Sequence[Group],
    now: datetime,
    zone: tzinfo,
) -> list[Planned]:
    """Return what becomes of new notices: new groups, and additions to ``waiting`` ones.

    Each notice is in exactly one group for each person that wants it and can be reached. The same
    notice must not be planned twice; whoever keeps the book sees to that.
    """
    known = {hearer.person_id: hearer for hearer in hearers}
    groups = {(group.kind, group.owner_id, group.steps): group for group in waiting}
    joined: dict[str, list[int]] = {}
    new: dict[str, Group] = {}
    for notice in sorted(notices, key=lambda told: told.id):
        for owner, steps in steps_of(notice.kind, hearers).items():
            # Other rules since then mean other steps, and so another group.
            group = groups.get((notice.kind, owner, steps))
            if group is None:
                group = Group(f"n{notice.id}-p{owner}", notice.kind, owner, steps)
                groups[notice.kind, owner, steps] = new[group.key] = group
            joined.setdefault(group.key, []).append(notice.id)
    return [
        Planned(
            group,
            tuple(joined[group.key]),
            _dues(group, known, now, zone) if group.key in new else {},
            known[group.owner_id].rules.urgent(group.kind),
        )
        for group in groups.values()
        if group.key in joined
    ]


def _dues(
    group: Group, known: Mapping[int, Hearer], now: datetime, zone: tzinfo
) -> dict[Step, datetime]:
    rules = known[group.owner_id].rules
    together = timedelta(0) if rules.urgent(group.kind) else timedelta(minutes=rules.group_min)
    patience = timedelta(minutes=rules.escalate_min or 0.0)
    dues: dict[Step, datetime] = {}
    due, level = now + together, 0
    for step in sorted(group.steps):
        if step.level > level:
            due, level = due + patience, step.level
        due = known[step.person_id].rules.release(group.kind, due, zone)
        dues[step] = due
    return dues


def other_ways(hearer: Hearer, kind: str, used: Iterable[int]) -> list[int]:
    """Return a person's channels for a kind that were not tried yet, where one has failed."""
    first, later = hearer.ways_for(kind)
    return [channel for channel in first + later if channel not in set(used)]


def backoff(tries: int) -> timedelta:
    """Return how long to wait after so many tries in vain: 20 s, 40 s ... to half an hour."""
    doubled = FIRST_WAIT * float(2 ** min(max(tries, 1) - 1, 12))
    return min(doubled, LONGEST_WAIT)


def too_late(made_at: datetime, now: datetime) -> bool:
    """Whether a message is so old that it is no news any more."""
    return now - made_at > GIVE_UP_AFTER
