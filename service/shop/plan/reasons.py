"""Why an act stands where it does: what would be broken if it began a slot earlier."""

from __future__ import annotations

from service.shop.plan.model import SLOT_MIN, Placed, Plan, Rules, up

__all__ = ["reason"]


def reason(plan: Plan, placed: Placed, rules: Rules) -> tuple[str, str | None]:
    """Return what holds an act where it is: a word for the cause, and the piece in the way if any.

    Words: ``now`` (nothing holds it), ``wait`` (its own wait), ``hours`` (the shop opens),
    ``window`` (the spray window opens), ``coats`` (enough coats for the day before), ``masking``
    (follows another piece's masking while the tape is out), ``booth`` or ``hands`` (another piece
    is in the way), ``grouped`` (could be earlier; stands with others of its material or where the
    whole is sooner done).
    """
    act, start = plan.act(placed), placed.start
    if start == 0:
        return "now", None
    if start <= up(_ready(plan, placed) + act.wait_min):
        return ("wait", None) if act.wait_min or placed.index else ("now", None)
    earlier = start - SLOT_MIN
    if not any(a <= earlier <= b for a, b in rules.stretches(act)):
        if any(start == up(a) for a, _ in rules.hours.working):
            return (
                ("coats", None) if _enough_the_day_before(plan, placed, rules) else ("hours", None)
            )
        return "window", None
    masked = plan.masked_before(placed)
    if masked is not None and masked.chain != placed.chain:
        return "masking", plan.chains[masked.chain].piece
    beside = [
        p
        for p in plan.placed
        if p != placed and p.start < earlier + act.minutes and earlier < plan.end(p)
    ]
    if act.in_booth:
        booth = [p for p in beside if plan.act(p).in_booth]
        if len(booth) >= rules.booth:
            return "booth", plan.chains[booth[-1].chain].piece
    if len(beside) >= rules.hands:
        return "hands", plan.chains[beside[-1].chain].piece
    return "grouped", None


def _enough_the_day_before(plan: Plan, placed: Placed, rules: Rules) -> bool:
    day = rules.day_of(placed.start)
    if not plan.act(placed).sprayed or not day:
        return False
    coats = [
        p
        for p in plan.placed
        if p.chain == placed.chain and plan.act(p).sprayed and rules.day_of(p.start) == day - 1
    ]
    return len(coats) >= rules.coats_left(plan.chains[placed.chain], day - 1)


def _ready(plan: Plan, placed: Placed) -> int:
    if placed.index == 0:
        return 0
    before = next(p for p in plan.placed if p.chain == placed.chain and p.index == placed.index - 1)
    return plan.end(before)
