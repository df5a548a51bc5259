"""The thorough way to a plan: all acts at once, by a constraint solver where it is installed."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.util import find_spec
from typing import Any

from service.shop.plan.check import cost
from service.shop.plan.model import SLOT_MIN, TAPE_OUT_MIN, Act, Chain, Placed, Plan, Rules
from service.shop.plan.rule import by_rule

__all__ = ["by_solver", "solver_there"]

WORK_MOST = 1.0
"""What the solver may spend, in its own steady measure of work (about seconds), so that the same
question has the same answer on a busy machine."""


def solver_there() -> bool:
    """Whether the solver's library is installed."""
    return find_spec("ortools") is not None


def by_solver(chains: Sequence[Chain], rules: Rules, *, work_most: float = WORK_MOST) -> Plan:
    """Plan by searching; begins from the rule's plan and is never worse than it.

    Parameters
    ----------
    chains, rules : sequence of Chain, Rules
        What is planned, under which rules.
    work_most : float
        Bound of the search, in the solver's deterministic measure.
    """
    hint = by_rule(chains, rules)
    if not hint.placed:
        return hint
    from ortools.sat.python import cp_model

    search = _Search(cp_model, chains, rules, hint)
    solver = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = 1
    solver.parameters.max_deterministic_time = work_most
    status = solver.solve(search.model)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return hint
    placed = search.read(solver)
    found = Plan(tuple(chains), placed, "solver")
    return found if cost(found, rules) <= cost(hint, rules) else hint


class _Search:
    """The plan as constraints over slots."""

    def __init__(self, cp_model: Any, chains: Sequence[Chain], rules: Rules, hint: Plan) -> None:
        self.model = cp_model.CpModel()
        self._domain = cp_model.Domain
        self._chains, self._rules = chains, rules
        self._horizon = rules.hours.until // SLOT_MIN
        self._start: dict[tuple[int, int], Any] = {}
        self._there: dict[tuple[int, int], Any] = {}
        self._intervals: list[tuple[Any, Act]] = []
        self._in_day: dict[tuple[int, str], list[Any]] = {}
        costs: list[Any] = []
        for number, chain in enumerate(chains):
            for index, act in enumerate(chain.acts):
                costs.append(self._add(number, index, act))
            self._in_order(number, chain)
        self._capacities()
        costs += self._setups() + self._maskings()
        self.model.minimize(sum(costs))
        begun = {(p.chain, p.index): p.start // SLOT_MIN for p in hint.placed}
        for key, there in self._there.items():
            self.model.add_hint(there, key in begun)
            if key in begun:
                self.model.add_hint(self._start[key], begun[key])

    def read(self, solver: Any) -> tuple[Placed, ...]:
        """Return what the solver found."""
        found = [
            Placed(number, index, int(solver.value(self._start[number, index])) * SLOT_MIN)
            for (number, index), there in self._there.items()
            if solver.value(there)
        ]
        return tuple(sorted(found, key=lambda p: (p.start, p.chain)))

    def _add(self, number: int, index: int, act: Act) -> Any:
        model = self.model
        stretches = [[a // SLOT_MIN, b // SLOT_MIN] for a, b in self._rules.stretches(act)]
        there = model.new_bool_var(f"there{number}.{index}")
        if not stretches:
            model.add(there == 0)
            stretches = [[0, 0]]
        start = model.new_int_var_from_domain(
            self._domain.from_intervals(stretches), f"start{number}.{index}"
        )
        slots = -(-act.minutes // SLOT_MIN)
        interval = model.new_optional_fixed_size_interval_var(
            start, slots, there, f"act{number}.{index}"
        )
        self._start[number, index], self._there[number, index] = start, there
        self._intervals.append((interval, act))
        if act.sprayed:
            self._days(number, index, act)
        # An act that is left out costs twice the horizon, as in `check.cost`.
        spent = model.new_int_var(0, 2 * self._horizon, f"cost{number}.{index}")
        model.add(spent >= start).only_enforce_if(there)
        model.add(spent >= 2 * self._horizon).only_enforce_if(~there)
        return spent * SLOT_MIN

    def _days(self, number: int, index: int, act: Act) -> None:
        """Tell in which day a coat falls."""
        literals = []
        for day, (opens, closes) in enumerate(self._rules.hours.working):
            here = self.model.new_bool_var(f"day{number}.{index}.{day}")
            start = self._start[number, index]
            self.model.add(start >= -(-opens // SLOT_MIN)).only_enforce_if(here)
            self.model.add(start <= closes // SLOT_MIN).only_enforce_if(here)
            literals.append(here)
            self._in_day.setdefault((day, f"piece:{number}"), []).append(here)
            self._in_day.setdefault((day, f"material:{act.material_id}"), []).append(here)
        self.model.add(sum(literals) == 1).only_enforce_if(self._there[number, index])
        self.model.add(sum(literals) == 0).only_enforce_if(~self._there[number, index])

    def _in_order(self, number: int, chain: Chain) -> None:
        model = self.model
        for index, act in enumerate(chain.acts):
            start, there = self._start[number, index], self._there[number, index]
            wait = -(-act.wait_min // SLOT_MIN)
            if index == 0:
                model.add(start >= wait).only_enforce_if(there)
                continue
            before = self._start[number, index - 1]
            ended = before + -(-chain.acts[index - 1].minutes // SLOT_MIN)
            model.add_implication(there, self._there[number, index - 1])
            model.add(start >= ended + wait).only_enforce_if(there)
            if act.closes_min is not None:
                model.add(start <= ended + act.closes_min // SLOT_MIN).only_enforce_if(there)

    def _capacities(self) -> None:
        everything = [interval for interval, _ in self._intervals]
        booth = [interval for interval, act in self._intervals if act.in_booth]
        self.model.add_cumulative(everything, [1] * len(everything), self._rules.hands)
        self.model.add_cumulative(booth, [1] * len(booth), self._rules.booth)
        for (day, what), literals in self._in_day.items():
            if what.startswith("piece:"):
                chain = self._chains[int(what.removeprefix("piece:"))]
                self.model.add(sum(literals) <= self._rules.coats_left(chain, day))

    def _setups(self) -> list[Any]:
        costs = []
        for (day, what), literals in self._in_day.items():
            if what.startswith("material:"):
                used = self.model.new_bool_var(f"setup{day}.{what}")
                for literal in literals:
                    self.model.add_implication(literal, used)
                costs.append(used * self._rules.setup_min)
        return costs

    def _maskings(self) -> list[Any]:
        """Cost of laying out tape and paper for each masking that follows no other one."""
        model = self.model
        keys = sorted(
            (number, index)
            for number, chain in enumerate(self._chains)
            for index, act in enumerate(chain.acts)
            if act.masks
        )
        costs = []
        for key in keys:
            follows = [self._follows(other, key) for other in keys if other != key]
            laid_out = model.new_bool_var(f"laid_out{key}")
            model.add_bool_or([laid_out, *follows, ~self._there[key]])
            costs.append(laid_out * self._rules.mask_setup_min)
        return costs

    def _follows(self, before: tuple[int, int], key: tuple[int, int]) -> Any:
        """Tell whether a masking begins while the tape of another is out, as in `tape_is_out`."""
        minutes = self._chains[before[0]].acts[before[1]].minutes
        first, start = self._start[before], self._start[key]
        literal = self.model.new_bool_var(f"follows{before}{key}")
        self.model.add_implication(literal, self._there[before])
        # Of two at once the first in order is the one that is followed.
        self.model.add(start >= first + int(before > key)).only_enforce_if(literal)
        reach = (minutes + TAPE_OUT_MIN) // SLOT_MIN
        self.model.add(start <= first + reach).only_enforce_if(literal)
        return literal
