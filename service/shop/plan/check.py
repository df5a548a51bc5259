"""What a plan breaks, and what it costs: asked of every plan, whoever made it."""

from __future__ import annotations

from collections import Counter

from service.shop.plan.model import SLOT_MIN, Placed, Plan, Rules

__all__ = ["cost", "violations"]


def violations(plan: Plan, rules: Rules) -> list[str]:
    """Return everything that a plan breaks, in words; empty where it breaks nothing."""
    return [
        *_waits(plan),
        *_times(plan, rules),
        *_crowds(plan, rules),
        *_too_many_coats(plan, rules),
    ]


def cost(plan: Plan, rules: Rules) -> int:
    """Return the sum of all beginnings, an act left out counting twice the horizon, and of setups.

    In minutes; the smaller the better.
    """
    horizon = rules.hours.until
    left_out = sum(len(chain.acts) for chain in plan.chains) - len(plan.placed)
    setups = {
        (rules.day_of(p.start), act.material_id)
        for p in plan.placed
        if (act := plan.act(p)).sprayed
    }
    laid_out = sum(plan.act(p).masks and plan.masked_before(p) is None for p in plan.placed)
    starts = sum(p.start for p in plan.placed)
    tools = rules.setup_min * len(setups) + rules.mask_setup_min * laid_out
    return starts + 2 * horizon * left_out + tools


def _waits(plan: Plan) -> list[str]:
    found = []
    for number, chain in enumerate(plan.chains):
        own = sorted((p for p in plan.placed if p.chain == number), key=lambda p: p.index)
        if [p.index for p in own] != list(range(len(own))):
            found.append(f"{chain.piece}: acts are left out in the middle")
            continue
        ready = 0
        for place in own:
            act = chain.acts[place.index]
            if place.start < ready + act.wait_min:
                found.append(f"{chain.piece}: {act.name} begins before its wait is over")
            late = act.closes_min is not None and place.start > ready + act.closes_min
            if late and place.index > 0:
                found.append(f"{chain.piece}: {act.name} begins after its window has closed")
            ready = place.start + act.minutes
    return found


def _times(plan: Plan, rules: Rules) -> list[str]:
    found = []
    for place in plan.placed:
        act = plan.act(place)
        if place.start % SLOT_MIN or not any(
            a <= place.start <= b for a, b in rules.stretches(act)
        ):
            piece = plan.chains[place.chain].piece
            found.append(f"{piece}: {act.name} lies outside working hours or its spray window")
    return found


def _crowds(plan: Plan, rules: Rules) -> list[str]:
    found = []
    if _most_at_once(plan, list(plan.placed)) > rules.hands:
        found.append("more acts at once than there are hands")
    booth = [p for p in plan.placed if plan.act(p).in_booth]
    if _most_at_once(plan, booth) > rules.booth:
        found.append("more pieces at once than the booth takes")
    return found


def _most_at_once(plan: Plan, places: list[Placed]) -> int:
    # Where one act ends as another begins, the end comes first.
    events = sorted([(p.start, 1) for p in places] + [(plan.end(p), -1) for p in places])
    most = now = 0
    for _, step in events:
        now += step
        most = max(most, now)
    return most


def _too_many_coats(plan: Plan, rules: Rules) -> list[str]:
    coats = Counter((p.chain, rules.day_of(p.start)) for p in plan.placed if plan.act(p).sprayed)
    crowded = {
        plan.chains[chain].piece
        for (chain, day), count in coats.items()
        if count > rules.coats_left(plan.chains[chain], day)
    }
    return [f"{p}: more than {rules.most_coats_a_day} coats in a day" for p in sorted(crowded)]
