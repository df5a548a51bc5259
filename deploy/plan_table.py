"""How far plans are from the best there is, and what grouping saves, in tables.

    python deploy/plan_table.py           prints the tables
    python deploy/plan_table.py --write   puts them into dashboards/docs/plan.md

Small cases are small enough to try every slot for every act, so the best plan is known. Weeks are
of five pieces at some step of a shipped schedule, with likely spray windows of random lengths.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from document import Block

from service.shop.plan import (
    Act,
    Chain,
    Hours,
    Placed,
    Plan,
    Rules,
    by_rule,
    by_solver,
    cost,
    violations,
)
from service.shop.plan.model import SLOT_MIN
from service.shop.plan.upcoming import acts_ahead
from service.store.catalogue import Catalogue, load_catalogue

BLOCK = Block.of("plan.md", "plan_table.py")

SMALL, WEEKS = 100, 20
SEED = 20260309
DAY = 24 * 60
SCHEDULES = ("lacquer-clear", "lacquer-shaded-edge", "shellac-sprayed")

Planner = Callable[[Sequence[Chain], Rules], Plan]
PLANNERS: dict[str, Planner] = {"rule": by_rule, "solver": by_solver}

Case = tuple[list[Chain], Rules]


def small_case(rng: np.random.Generator) -> Case:
    """Make two or three pieces with five acts in all, over two short days."""

    def act() -> Act:
        kind = rng.choice(["coat", "coat", "mask", "handwork"])
        wait = int(5 * rng.integers(0, 8))
        if kind == "coat":
            material = str(rng.choice(["lacquer", "toner"]))
            closes = 120 + wait if rng.random() < 0.25 else None
            return Act("coat", "Coat", 15, wait, closes, material, in_booth=True)
        minutes = int(5 * rng.integers(3, 8))
        return Act(kind, kind.capitalize(), minutes, wait, masks=kind == "mask")

    cuts = sorted(rng.choice(range(1, 5), int(rng.integers(1, 3)), replace=False).tolist())
    acts = [act() for _ in range(5)]
    chains = [
        Chain(str(41 + n), tuple(acts[a:b]))
        for n, (a, b) in enumerate(zip([0, *cuts], [*cuts, 5], strict=True))
    ]
    opens = int(5 * rng.integers(0, 8))
    windows = {"lacquer": [(0, 60), (300, 360)], "toner": [(opens, 100), (300, 400)]}
    rules = Rules(Hours(((0, 100), (300, 400))), windows, most_coats_a_day=2)
    return chains, rules


def best_plan(chains: Sequence[Chain], rules: Rules) -> Plan:
    """Find the cheapest plan by trying every slot; one hand and one place in the booth.

    A branch ends where the beginnings alone, with the earliest that is possible for what is still
    to be placed, cost as much as the best plan so far.
    """
    order = [(c, i) for c, chain in enumerate(chains) for i in range(len(chain.acts))]
    slots = {
        (c, i): [
            s for a, b in rules.stretches(chains[c].acts[i]) for s in range(a, b + 1, SLOT_MIN)
        ]
        for c, i in order
    }
    left_out = 2 * rules.hours.until
    soonest = [min([*slots[key][:1], left_out]) for key in order]
    tails = [sum(soonest[n:]) for n in range(len(order) + 1)]
    best = by_rule(chains, rules)
    least = cost(best, rules)
    placed: list[Placed] = []

    def go(n: int, spent: int) -> None:
        nonlocal best, least
        if spent + tails[n] >= least:
            return
        if n == len(order):
            plan = Plan(tuple(chains), tuple(sorted(placed, key=lambda p: p.start)), "all")
            if (found := cost(plan, rules)) < least and not violations(plan, rules):
                best, least = plan, found
            return
        c, i = order[n]
        act = chains[c].acts[i]
        before = next((p for p in placed if (p.chain, p.index) == (c, i - 1)), None)
        if i == 0 or before is not None:
            ready = 0 if before is None else before.start + chains[c].acts[i - 1].minutes
            for start in slots[c, i]:
                if start < ready + act.wait_min or not _free(placed, chains, start, act.minutes):
                    continue
                if i and act.closes_min is not None and start > ready + act.closes_min:
                    break
                placed.append(Placed(c, i, start))
                go(n + 1, spent + start)
                placed.pop()
        go(n + 1, spent + left_out)

    go(0, 0)
    return best


def _free(placed: Sequence[Placed], chains: Sequence[Chain], start: int, minutes: int) -> bool:
    return all(
        start >= p.start + chains[p.chain].acts[p.index].minutes or p.start >= start + minutes
        for p in placed
    )


def small(count: int = SMALL, seed: int = SEED) -> dict[str, list[float]]:
    """Return how much dearer (%) than the best plan each planner's is, case by case."""
    rng = np.random.default_rng(seed)
    dearer: dict[str, list[float]] = {name: [] for name in PLANNERS}
    for _ in range(count):
        chains, rules = small_case(rng)
        best = cost(best_plan(chains, rules), rules)
        for name, planner in PLANNERS.items():
            plan = planner(chains, rules)
            if violations(plan, rules):
                raise RuntimeError(f"the {name} broke: {violations(plan, rules)}")
            dearer[name].append(100.0 * (cost(plan, rules) / max(best, 1) - 1.0))
    return dearer


def week_case(rng: np.random.Generator, catalogue: Catalogue) -> Case:
    """Make five pieces, each at some step of a schedule, and a week's likely windows."""

    def wait_of(material_id: str, mark: str) -> tuple[int, int | None]:
        known = catalogue.materials[material_id].marks.get(mark)
        return (0 if known is None else round(60 * known.hours)), None

    def sprays(material_id: str) -> bool:
        return catalogue.materials[material_id].blend is not None

    chains = []
    for number in range(41, 46):
        schedule = catalogue.schedules[str(rng.choice(SCHEDULES))]
        at = int(rng.integers(0, max(1, len(schedule.steps) // 2)))
        first = int(5 * rng.integers(0, 24))
        under = next((s.material for s in reversed(schedule.steps[:at]) if s.material), None)
        chains.append(acts_ahead(str(number), schedule, at, 0, first, under, wait_of, sprays))
    hours = Hours(tuple((day * DAY, day * DAY + 540) for day in range(5)))
    windows = []
    for day in range(5):
        opens = day * DAY + int(5 * rng.integers(0, 36))
        windows.append((opens, opens + int(5 * rng.integers(36, 84))))
    materials = {a.material_id for c in chains for a in c.acts if a.sprayed and a.material_id}
    return chains, Rules(hours, dict.fromkeys(materials, windows))


def _week(plan: Plan, rules: Rules) -> list[float]:
    coats = [p for p in plan.placed if plan.act(p).sprayed]
    masks = [p for p in plan.placed if plan.act(p).masks]
    guns = {(rules.day_of(p.start), plan.act(p).material_id) for p in coats}
    laid = sum(plan.masked_before(p) is None for p in masks)
    return [len(plan.placed), len(coats), len(guns), len(masks), laid, cost(plan, rules) / 60.0]


def weeks(count: int = WEEKS, seed: int = SEED) -> dict[str, list[float]]:
    """Return means over some weeks, planner by planner, and for the rule with nothing grouped."""
    rng, catalogue = np.random.default_rng(seed), load_catalogue()
    rows: dict[str, list[list[float]]] = {name: [] for name in PLANNERS}
    for _ in range(count):
        chains, rules = week_case(rng, catalogue)
        for name, planner in PLANNERS.items():
            plan = planner(chains, rules)
            if violations(plan, rules):
                raise RuntimeError(f"the {name} broke: {violations(plan, rules)}")
            rows[name].append(_week(plan, rules))
    return {name: np.mean(found, axis=0).tolist() for name, found in rows.items()}


def tables() -> str:
    """Return the tables as Markdown."""
    lines = [
        f"{SMALL} small cases, against the best of all possible plans:",
        "",
        "| made by | at the best | dearer in the mean | dearer at worst |",
        "|---|---|---|---|",
    ]
    for name, dearer in small().items():
        best = sum(d < 1e-9 for d in dearer)
        lines.append(
            f"| {name} | {best} of {SMALL} | {np.mean(dearer):.1f} % | {max(dearer):.0f} % |"
        )
    lines += [
        "",
        f"{WEEKS} weeks of five pieces, in the mean:",
        "",
        "| made by | acts | coats | guns or cans set up | maskings | tape laid out | cost (h) |",
        "|---|---|---|---|---|---|---|",
    ]
    for name, means in weeks().items():
        lines.append(f"| {name} | " + " | ".join(f"{m:.1f}" for m in means) + " |")
    return "\n".join(lines)


if __name__ == "__main__":
    BLOCK.print_or_write(tables)
