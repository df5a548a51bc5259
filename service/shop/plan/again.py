"""A plan made anew: what was said before holds, unless something better is found.

A shop's plan is made anew at every look. A search that begins from nothing each time may put today
what it put tomorrow an hour ago, and the other way round an hour later, so that somebody who
follows it gets neither done. So the order of the last plan is kept and only timed anew, and a fresh
plan takes its place where it is the better one by cost and ends what was planned no later.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from service.shop.plan.check import cost
from service.shop.plan.model import Chain, Placed, Plan, Rules
from service.shop.plan.rule import Key, in_order

__all__ = ["better_of", "order_of"]


def order_of(plan: Plan) -> tuple[Key, ...]:
    """Return the acts of a plan, piece, step and number, by when they begin."""
    return tuple(_key(plan, placed) for placed in plan.placed)


def better_of(fresh: Plan, order: Sequence[Key], chains: Sequence[Chain], rules: Rules) -> Plan:
    """Return a fresh plan, or the order of the last one timed anew.

    Where no wait has grown and no window has shrunk, timed anew no act begins later than it was
    planned to (but for windows that close behind an earlier act). The fresh plan must be cheaper
    and end all that the other one holds no later, so neither the sum of all beginnings nor the
    last end grows from plan to plan.
    """
    kept = in_order(chains, rules, order)
    if not order or (cost(fresh, rules) < cost(kept, rules) and _ends(fresh, kept)):
        return fresh
    return replace(kept, made_by=fresh.made_by)


def _ends(fresh: Plan, kept: Plan) -> bool:
    """Whether a plan holds all that another one holds, and ends it no later."""
    held = {(p.chain, p.index) for p in kept.placed}
    same = [p for p in fresh.placed if (p.chain, p.index) in held]
    return len(same) == len(held) and _last(fresh, same) <= _last(kept, kept.placed)


def _last(plan: Plan, placed: Sequence[Placed]) -> int:
    return max((plan.end(p) for p in placed), default=0)


def _key(plan: Plan, placed: Placed) -> Key:
    act = plan.act(placed)
    return plan.chains[placed.chain].piece, act.step_key, act.number
