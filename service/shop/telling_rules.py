"""A person's rules as they are kept and sent, checked field by field."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import time
from typing import Any

from service.shop.notices import NOTICE_KINDS
from service.shop.quiet import QuietHours
from service.shop.telling import BREAKS_QUIET, Rules, Way

__all__ = ["TURNS", "RuleError", "read_rules", "read_ways", "rules_as_data"]

TURNS = {"first": "At once", "later": "If nobody reacts", "off": "Not now"}

MOST_GROUP_MIN = 240.0
MOST_ESCALATE_MIN = 1440.0

FIELDS = frozenset(
    {
        "kinds",
        "quiet_from",
        "quiet_until",
        "breaks_quiet",
        "group_min",
        "escalate_min",
        "escalate_kinds",
        "then_person",
        "ways",
    }
)


class RuleError(ValueError):
    """A rule that cannot be; ``field`` names it."""

    def __init__(self, field: str, reason: str) -> None:
        super().__init__(f"{field}: {reason}")
        self.field, self.reason = field, reason


def read_rules(data: Mapping[str, Any]) -> Rules:
    """Read rules; what is missing is as usual.

    Raises
    ------
    RuleError
        Naming the field that is unknown or cannot be.
    """
    if unknown := sorted(set(data) - FIELDS):
        raise RuleError(str(unknown[0])[:40], "is no rule")
    begin, end = _time(data, "quiet_from"), _time(data, "quiet_until")
    if (begin is None) != (end is None):
        missing = "quiet_from" if begin is None else "quiet_until"
        raise RuleError(missing, "quiet hours need a beginning and an end")
    if begin is not None and begin == end:
        raise RuleError("quiet_until", "is the same as the beginning")
    then = data.get("then_person")
    if then is not None and (isinstance(then, bool) or not isinstance(then, int)):
        raise RuleError("then_person", "must be the number of a person")
    usual = Rules()
    group = _minutes(data, "group_min", 0.0, MOST_GROUP_MIN)
    return Rules(
        kinds=_kinds(data, "kinds", None),
        quiet=QuietHours(begin, end) if begin is not None and end is not None else None,
        breaks_quiet=_kinds(data, "breaks_quiet", BREAKS_QUIET) or frozenset(),
        group_min=usual.group_min if group is None else group,
        escalate_min=_minutes(data, "escalate_min", 1.0, MOST_ESCALATE_MIN),
        escalate_kinds=_kinds(data, "escalate_kinds", BREAKS_QUIET) or frozenset(),
        then_person=then,
    )


def read_ways(data: Mapping[str, Any], channels: Iterable[int]) -> tuple[Way, ...]:
    """Read what is said of a person's channels; one of which nothing is said comes first.

    What is said of channels that are not there is passed over: they may have been taken away.

    Raises
    ------
    RuleError
        Naming ``ways`` where a turn or kind cannot be.
    """
    said = data.get("ways") or {}
    if not isinstance(said, Mapping):
        raise RuleError("ways", "must be given by channel")
    for rule in said.values():
        if not isinstance(rule, Mapping) or rule.get("turn", "first") not in TURNS:
            raise RuleError("ways", f"each channel needs a turn: {', '.join(TURNS)}")
        _kinds(rule, "kinds", None, field="ways")
    ways = []
    for channel in channels:
        rule = said.get(str(channel), {})
        ways.append(Way(channel, rule.get("turn", "first"), _kinds(rule, "kinds", None)))
    return tuple(ways)


def rules_as_data(rules: Rules, ways: Iterable[Way]) -> dict[str, Any]:
    """Return rules as they are kept, every field said."""
    quiet = rules.quiet
    return {
        "kinds": _listed(rules.kinds),
        "quiet_from": f"{quiet.begin:%H:%M}" if quiet else None,
        "quiet_until": f"{quiet.end:%H:%M}" if quiet else None,
        "breaks_quiet": _listed(rules.breaks_quiet),
        "group_min": rules.group_min,
        "escalate_min": rules.escalate_min,
        "escalate_kinds": _listed(rules.escalate_kinds),
        "then_person": rules.then_person,
        "ways": {str(w.channel_id): {"turn": w.turn, "kinds": _listed(w.kinds)} for w in ways},
    }


def _listed(kinds: frozenset[str] | None) -> list[str] | None:
    return None if kinds is None else sorted(kinds)


def _kinds(
    data: Mapping[str, Any],
    name: str,
    usual: frozenset[str] | None,
    field: str | None = None,
) -> frozenset[str] | None:
    said = data.get(name)
    if said is None:
        return usual
    if isinstance(said, str) or not isinstance(said, Iterable):
        raise RuleError(field or name, "must be a list of kinds of notices")
    kinds = [str(kind) for kind in said]
    if unknown := [kind for kind in kinds if kind not in NOTICE_KINDS]:
        raise RuleError(field or name, f"there is no kind of notice {unknown[0][:40]!r}")
    return frozenset(kinds)


def _time(data: Mapping[str, Any], name: str) -> time | None:
    said = data.get(name)
    if said in (None, ""):
        return None
    try:
        found = time.fromisoformat(str(said))
    except ValueError as error:
        raise RuleError(name, "is no time of day, such as 21:30") from error
    if found.tzinfo is not None or found.second or found.microsecond:
        raise RuleError(name, "must be a time of day in hours and minutes, such as 21:30")
    return found


def _minutes(data: Mapping[str, Any], name: str, low: float, high: float) -> float | None:
    said = data.get(name)
    if said is None:
        return None
    if isinstance(said, bool) or not isinstance(said, int | float) or not low <= said <= high:
        raise RuleError(name, f"must be {low:g} to {high:g} minutes")
    return float(said)
