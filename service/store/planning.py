"""The plan of the shop, read from the store: pieces, their waits, windows, working hours."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import Any

import numpy as np
from sqlmodel import Session

from service.clock import Clock
from service.science import drying
from service.shop.cards import InstrumentCard
from service.shop.learning import Z80, mark_sd
from service.shop.materials import Material
from service.shop.parts import touches
from service.shop.plan import (
    Chain,
    Hours,
    Placed,
    Plan,
    Rules,
    Stretch,
    better_of,
    by_rule,
    by_solver,
    order_of,
    reason,
    solver_there,
)
from service.shop.plan.model import SLOT_MIN, joined
from service.shop.plan.rule import Key
from service.shop.plan.upcoming import acts_ahead
from service.shop.said import say
from service.shop.schedule import Schedule
from service.store import readings
from service.store.db import Database
from service.store.desk import Desk
from service.store.errors import BadInput
from service.store.facts import Facts
from service.store.fields import within
from service.store.pieces import Piece, all_pieces, card_of, place_at, schedule_of
from service.store.reckoning import Reckoning

__all__ = ["DAYS", "Line", "Planner", "ShopPlan", "Working"]

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
WORKING_FACT = "working"
PLAN_DAYS = 7
FAR_DAYS = 150
"""How far ahead a finish is looked for."""

LIKELY = 0.5
OUTLOOK_H = 48

AS_IT_IS_MIN = 30
"""For so long, enough for one coat, the air stays as it is where the check says *spray* now,
whatever the outlook makes likely (assumed)."""

AGAIN_MIN = 30
"""Where the check does not say *spray* now it is asked again after this long (assumed): no coat is
planned before, whatever the outlook makes likely, so that hands do not wait for it."""
USUAL_AIR = (21.0, 50.0)
"""Air of a place without readings of the last day (assumed)."""


@dataclass(frozen=True)
class Working:
    """When and how the shop works; ``hours`` by day of the week, a day off is absent."""

    hours: dict[str, tuple[str, str]]
    hands: int = 1
    booth: int = 1
    most_coats_a_day: int = 4
    setup_min: int = 30
    mask_setup_min: int = 15


USUAL = Working(dict.fromkeys(DAYS[:5], ("08:00", "17:00")))
"""Where nobody has said otherwise (assumed)."""


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
        self._lock = threading.Lock()
        self._last: tuple[_Asked, Plan] | None = None

    def working(self) -> Working:
        """When the shop works."""
        kept = Facts(self.db).get(WORKING_FACT)
        if kept is None:
            return USUAL
        hours = {day: (a, b) for day, (a, b) in kept["hours"].items()}
        # A count that was not asked for when the hours were kept stands as usual.
        return Working(hours, **{name: kept[name] for name in _COUNTS if name in kept})

    def set_working(self, working: Working) -> Working:
        """Keep when the shop works; raises BadInput naming the field."""
        _check(working)
        value: dict[str, Any] = {
            "hours": {day: list(working.hours[day]) for day in DAYS if day in working.hours},
            **{name: getattr(working, name) for name in _COUNTS},
        }
        Facts(self.db).put(WORKING_FACT, value)
        return self.working()

    def plan(self, *, wait: bool = True) -> ShopPlan:
        """Plan the next week, and look further for when each piece is through.

        Without ``wait`` the rule's plan is told while the solver looks for a better one.
        """
        now, working = _to_a_slot(self.clock.now()), self.working()
        with self.db.read() as session:
            reckoning = self.desk.reckoning(session)
            pieces = all_pieces(session)
            cards = [card_of(session, p, self.desk.catalogue, now, reckoning) for p in pieces]
            airs = {p.id: self._air(session, p, now) for p in pieces}
        can = [(p, c) for p, c in zip(pieces, cards, strict=True) if _why_not(c) == ""]
        rules, outlook_until = self._rules(can, working, now, PLAN_DAYS)
        today = _first_day(rules.hours, now, self.zone)
        chains = [
            replace(
                self._chain(p, c, airs[p.id], now, Z80, reckoning),
                coats_today=self._coats_on(p, today),
            )
            for p, c in can
        ]
        plan = self._planned(tuple(chains), rules, wait=wait)
        far, _ = self._rules(can, working, now, FAR_DAYS)
        early, late = (
            self._ends(
                can,
                [self._chain(p, c, airs[p.id], now, z, reckoning) for p, c in can],
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
            if (why := _why_not(c))
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

    # -- what is planned -------------------------------------------------------------------

    def _chain(
        self,
        piece: Piece,
        card: InstrumentCard,
        air: tuple[float, float],
        now: datetime,
        z: float,
        reckoning: Reckoning,
    ) -> Chain:
        schedule = schedule_of(piece, self.desk.catalogue)
        if schedule is None:
            return Chain(piece.row.shop_number, ())
        last = piece.last_coat

        def wait_of(material_id: str, mark: str) -> tuple[int, int | None]:
            return self._wait(material_id, mark, air, z, reckoning)

        return acts_ahead(
            piece.row.shop_number,
            schedule,
            card.steps_done,
            (card.act.coat_number or 1) - 1,
            _first_wait(schedule, card, {s.step_key for s in piece.steps}, now, z),
            None if last is None else last.material_id,
            wait_of,
            self._sprays,
        )

    def _wait(
        self,
        material_id: str,
        mark: str,
        air: tuple[float, float],
        z: float,
        reckoning: Reckoning,
    ) -> tuple[int, int | None]:
        """Minutes until a mark in the air of the last day, and until its window closes."""
        material = self.desk.catalogue.materials.get(material_id)
        known = None if material is None else material.marks.get(mark)
        if material is None or known is None:
            return 0, None
        speed = float(drying.rate(material.drying, *air, material.usual_wet_um))
        learned = reckoning.scales_of(material).get(mark)
        scale, spread = (
            (1.0, mark_sd(known)) if learned is None else (learned.middle, learned.sd_log)
        )
        minutes = 60.0 * known.hours * scale / speed
        closes = None
        if known.closes_hours is not None:
            closes = int(60.0 * known.closes_hours * scale / speed * math.exp(-Z80 * spread))
        return math.ceil(minutes * math.exp(z * spread)), closes

    def _coats_on(self, piece: Piece, day: date | None) -> int:
        """Coats that were sprayed on a piece in a day: on that part of it that had most."""
        sprayed = [
            coat
            for coat in piece.coats
            if self._sprays(coat.material_id) and coat.at.astimezone(self.zone).date() == day
        ]
        return max(sum(touches(c.parts, (part,)) for c in sprayed) for part in piece.parts)

    def _sprays(self, material_id: str) -> bool:
        material = self.desk.catalogue.materials.get(material_id)
        return material is not None and material.blend is not None

    def _air(self, session: Session, piece: Piece, now: datetime) -> tuple[float, float]:
        # Where it hangs tomorrow tells more of the week than where it hangs this hour.
        place_id = place_at(piece, now + timedelta(days=1))
        if place_id is None:
            return USUAL_AIR
        course = readings.series(session, place_id, now - timedelta(days=1), now, 3600.0)
        if course.time_s.size == 0:
            return USUAL_AIR
        return float(np.mean(course.air_c)), float(np.mean(course.rh_pct))

    # -- when it may be done ---------------------------------------------------------------

    def _rules(
        self,
        can: Sequence[tuple[Piece, InstrumentCard]],
        working: Working,
        now: datetime,
        days: int,
    ) -> tuple[Rules, datetime | None]:
        hours = Hours(tuple(_stretches(working, now, self.zone, days)))
        windows: dict[str, list[Stretch]] = {}
        known = False
        for material in self._to_spray(can):
            found, told = self._windows(can, material, now, hours)
            known = known or told
            if found is not None:
                windows[material.id] = found
        rules = Rules(
            hours,
            windows,
            hands=working.hands,
            booth=working.booth,
            most_coats_a_day=working.most_coats_a_day,
            setup_min=working.setup_min,
            mask_setup_min=working.mask_setup_min,
        )
        return rules, now + timedelta(hours=OUTLOOK_H) if known else None

    def _to_spray(self, can: Sequence[tuple[Piece, InstrumentCard]]) -> list[Material]:
        wanted = {
            step.material
            for piece, card in can
            if (schedule := schedule_of(piece, self.desk.catalogue)) is not None
            for step in schedule.steps[card.steps_done :]
            if step.material is not None and self._sprays(step.material)
        }
        return [self.desk.catalogue.materials[m] for m in sorted(wanted)]

    def _windows(
        self,
        can: Sequence[tuple[Piece, InstrumentCard]],
        material: Material,
        now: datetime,
        hours: Hours,
    ) -> tuple[list[Stretch] | None, bool]:
        """Likely spray windows of the outlook, and past it every working hour.

        What the check says now comes before what the outlook makes likely. Tells too whether there
        is an outlook; without it, and with the check content, there are no windows to keep to.
        """
        place = self._booth(can)
        if place is None:
            return None, False
        check = self.desk.spray_check(place, material.id)
        outlook = self.desk.windows(place, check)
        told = not outlook.why_none
        end = OUTLOOK_H * 60 if told else 0
        windows = [
            (_minutes(w.start_at, now), _minutes(w.end_at, now))
            for w in outlook.windows
            if w.probability >= LIKELY
        ]
        windows += [(max(a, end), b) for a, b in hours.working if b > end]
        if check.answer != "spray":
            return [(max(a, AGAIN_MIN), b) for a, b in windows if b > AGAIN_MIN], told
        return (joined([(0, AS_IT_IS_MIN), *windows]) if told else None), told

    def _booth(self, can: Sequence[tuple[Piece, InstrumentCard]]) -> str | None:
        booths = [p.id for p in self.desk.places() if p.kind == "booth"]
        used = [c.place_id for _, c in can if c.place_id in booths]
        return used[0] if used else booths[0] if booths else None

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


_LIMITS = {
    "hands": (1, 20),
    "booth": (1, 20),
    "most_coats_a_day": (1, 20),
    "setup_min": (0, 240),
    "mask_setup_min": (0, 240),
}
_COUNTS = tuple(_LIMITS)


def _check(working: Working) -> None:
    for name, (low, high) in _LIMITS.items():
        within(name, getattr(working, name), low, high, "min" if name.endswith("_min") else "")
    if not working.hours:
        raise BadInput("hours", say("no day is left to work on"))
    for day, (opens, closes) in working.hours.items():
        if day not in DAYS:
            raise BadInput(
                "hours", say("{value!r} is none of {known}", value=day, known=", ".join(DAYS))
            )
        try:
            if time.fromisoformat(opens) >= time.fromisoformat(closes):
                raise BadInput(
                    "hours",
                    say(
                        "{day}: {opens} does not lie before {closes}",
                        day=day,
                        opens=opens,
                        closes=closes,
                    ),
                )
        except ValueError as error:
            raise BadInput(
                "hours",
                say(
                    "{day}: {opens} to {closes} are no times of day",
                    day=day,
                    opens=opens,
                    closes=closes,
                ),
            ) from error


def _first_wait(
    schedule: Schedule, card: InstrumentCard, by_hand: Collection[str], now: datetime, z: float
) -> int:
    """Minutes until the open step may begin: on the cautious side for a positive ``z``.

    On the card a wait is over at the middle estimate; here the same side counts until the end, or
    a plan would promise nine in ten and, made anew, begin at five in ten. So too with a step that
    only waits and has just ended by itself; one that was ended ``by_hand`` is over.
    """
    wanted = set() if card.act.wait is None else {card.act.wait.mark}
    if (card.act.coat_number or 1) == 1:
        for step in reversed(schedule.steps[: card.steps_done]):
            if step.until is None or step.key in by_hand:
                break
            wanted.add(step.until)
    waits = [0]
    for mark in card.marks:
        if mark.mark in wanted:
            at = mark.ready_until if z > 0 else mark.ready_from
            waits.append(FAR_DAYS * 24 * 60 if at is None else _minutes(at, now))
    return max(waits)


def _first_day(hours: Hours, now: datetime, zone: tzinfo) -> date | None:
    """Date of the first working stretch."""
    if not hours.working:
        return None
    return (now + timedelta(minutes=hours.working[0][0])).astimezone(zone).date()


def _why_not(card: InstrumentCard) -> str:
    if card.act.state == "finished":
        return say("finished")
    if card.act.state == "unknown":
        return say("no air is known where it hangs")
    return "" if card.place_id is not None else say("it hangs in no place")


def _stretches(working: Working, now: datetime, zone: tzinfo, days: int) -> list[Stretch]:
    """Working stretches from now on, in minutes from now."""
    today = now.astimezone(zone).date()
    found = []
    for ahead in range(days):
        day = today + timedelta(days=ahead)
        if (times := working.hours.get(DAYS[day.weekday()])) is None:
            continue
        opens, closes = (_minutes(_at(day, t, zone), now) for t in times)
        if closes > 0:
            found.append((max(0, opens), closes))
    return found


def _at(day: date, clock_time: str, zone: tzinfo) -> datetime:
    return datetime.combine(day, time.fromisoformat(clock_time), zone)


def _to_a_slot(at: datetime) -> datetime:
    """Return the next whole slot, so that the plan speaks in round times."""
    slot = timedelta(minutes=SLOT_MIN)
    return at + (-(at - datetime(1970, 1, 1, tzinfo=UTC)) % slot)


def _minutes(at: datetime, now: datetime) -> int:
    return math.ceil((at - now) / timedelta(minutes=1))
