"""The plan of the shop, read from the store: pieces, their waits, windows, working hours."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, tzinfo

from service.clock import Clock
from service.shop.cards import InstrumentCard
from service.shop.learning import Z80
from service.shop.plan import (
    Chain,
    Placed,
    Plan,
    Rules,
    better_of,
    by_rule,
    by_solver,
    order_of,
    reason,
    solver_there,
)
from service.shop.plan.rule import Key
from service.store.db import Database
from service.store.desk import Desk
from service.store.pieces import Piece, all_pieces, card_of
from service.store.plan_questions import FAR_DAYS, PlanQuestions, why_not
from service.store.working import Working, first_day, keep_working, kept_working, to_a_slot

__all__ = ["Line", "Planner", "ShopPlan"]

PLAN_DAYS = 7


@dataclass(frozen=True)
class Line:
    """One act of the plan; ``why`` says what holds it there, ``by`` which piece is in the way."""

    instrument_id: int
    shop_number: str
    kind: str
    step_key: str
    step_name: str
    number: int | None
    of: int | None
    material_id: str | None
    start_at: datetime
    end_at: datetime
    why: str
    by: str | None


@dataclass(frozen=True)
class Finish:
    """When a piece is through; None where that is further off than is looked."""

    instrument_id: int
    shop_number: str
    kind: str
    from_at: datetime | None
    until_at: datetime | None
    why_not: str = ""


@dataclass(frozen=True)
class ShopPlan:
    """What to do in which order, and when each piece is through."""

    made_at: datetime
    made_by: str
    lines: tuple[Line, ...]
    finishes: tuple[Finish, ...]
    outlook_until: datetime | None
    """Until then coats are kept to likely spray windows; None: no outlook."""


_Asked = tuple[tuple[Chain, ...], Rules]


class Planner:
    """Makes the plan, and keeps when the shop works.

    Unset, ``search`` leaves it with the simple rule's plan even where the solver is installed.
    """

    def __init__(
        self, db: Database, clock: Clock, desk: Desk, zone: tzinfo, *, search: bool = True
    ) -> None:
        self.db, self.clock, self.desk, self.zone = db, clock, desk, zone
        self.search = search
        self.questions = PlanQuestions(desk, zone)
        self._lock = threading.Lock()
        self._last: tuple[_Asked, Plan] | None = None

    def working(self) -> Working:
        """When the shop works."""
        return kept_working(self.db)

    def set_working(self, working: Working) -> Working:
        """Keep when the shop works; raises BadInput naming the field."""
        keep_working(self.db, working)
        return self.working()

    def plan(self, *, wait: bool = True) -> ShopPlan:
        """Plan the next week, and look further for when each piece is through.

        Without ``wait`` the rule's plan is told while the solver looks for a better one.
        """
        now, working = to_a_slot(self.clock.now()), self.working()
        with self.db.read() as session:
            reckoning = self.desk.reckoning(session)
            pieces = all_pieces(session)
            cards = [card_of(session, p, self.desk.catalogue, now, reckoning) for p in pieces]
            airs = {p.id: self.questions.air(session, p, now) for p in pieces}
        can = [(p, c) for p, c in zip(pieces, cards, strict=True) if why_not(c) == ""]
        rules, outlook_until = self.questions.rules(can, working, now, PLAN_DAYS)
        today = first_day(rules.hours, now, self.zone)
        chains = [
            replace(
                self.questions.chain(p, c, airs[p.id], now, Z80, reckoning),
                coats_today=self.questions.coats_on(p, today),
            )
            for p, c in can
        ]
        plan = self._planned(tuple(chains), rules, wait=wait)
        far, _ = self.questions.rules(can, working, now, FAR_DAYS)
        early, late = (
            self._ends(
                can,
                [self.questions.chain(p, c, airs[p.id], now, z, reckoning) for p, c in can],
                far,
                now,
            )
            for z in (-Z80, Z80)
        )
        finishes = [
            Finish(p.id, p.row.shop_number, p.row.kind, early[p.id], late[p.id]) for p, _ in can
        ]
        finishes += [
            Finish(p.id, p.row.shop_number, p.row.kind, None, None, why)
            for p, c in zip(pieces, cards, strict=True)
            if (why := why_not(c))
        ]
        lines = tuple(self._line(plan, placed, rules, can, now) for placed in plan.placed)
        return ShopPlan(now, plan.made_by, lines, tuple(finishes), outlook_until)

    def _planned(self, chains: tuple[Chain, ...], rules: Rules, *, wait: bool) -> Plan:
        """Plan, or say again what was planned while nothing has changed."""
        asked, last = (chains, rules), self._last
        if last is not None and last[0] == asked:
            return last[1]
        if not (self.search and solver_there()):
            return self._made(chains, rules, by_rule)
        if not wait:
            threading.Thread(
                target=self._made, args=(*asked, by_solver), name="plan", daemon=True
            ).start()
            return better_of(by_rule(chains, rules), self._order(), chains, rules)
        return self._made(chains, rules, by_solver)

    def _made(
        self,
        chains: tuple[Chain, ...],
        rules: Rules,
        planner: Callable[[Sequence[Chain], Rules], Plan],
    ) -> Plan:
        with self._lock:  # one search at a time; who comes second finds it made
            last = self._last
            if last is None or last[0] != (chains, rules):
                plan = better_of(planner(chains, rules), self._order(), chains, rules)
                self._last = last = (chains, rules), plan
            return last[1]

    def _order(self) -> tuple[Key, ...]:
        """Order of the last plan; it holds until a better one is found."""
        return () if self._last is None else order_of(self._last[1])

    # -- what came of it -------------------------------------------------------------------

    def _ends(
        self,
        can: Sequence[tuple[Piece, InstrumentCard]],
        chains: Sequence[Chain],
        rules: Rules,
        now: datetime,
    ) -> dict[int, datetime | None]:
        plan = by_rule(chains, rules)
        ends: dict[int, datetime | None] = {}
        for number, ((piece, _), chain) in enumerate(zip(can, chains, strict=True)):
            own = [p for p in plan.placed if p.chain == number]
            through = len(own) == len(chain.acts)
            last = max((plan.end(p) for p in own), default=0)
            ends[piece.id] = now + timedelta(minutes=last + chain.tail_min) if through else None
        return ends

    def _line(
        self,
        plan: Plan,
        placed: Placed,
        rules: Rules,
        can: Sequence[tuple[Piece, InstrumentCard]],
        now: datetime,
    ) -> Line:
        piece, act = can[placed.chain][0], plan.act(placed)
        why, by = reason(plan, placed, rules)
        start = now + timedelta(minutes=placed.start)
        return Line(
            piece.id,
            piece.row.shop_number,
            piece.row.kind,
            act.step_key,
            act.name,
            act.number,
            act.of,
            act.material_id,
            start,
            start + timedelta(minutes=act.minutes),
            why,
            by,
        )
