"""The simple way to a plan: what can begin first, coats before handwork, like to like."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from service.shop.plan.model import (
    SLOT_MIN,
    Act,
    Chain,
    Placed,
    Plan,
    Rules,
    tape_is_out,
    up,
)

__all__ = ["Key", "by_rule", "in_order"]

Key = tuple[str, str, int | None]
"""An act of the shop: piece, step and number of the coat."""

GROUP_WITHIN_MIN = 30
"""An act of the material that is in the gun may go before one that could begin this much sooner."""


def by_rule(chains: Sequence[Chain], rules: Rules) -> Plan:
    """Plan by a rule: what can begin first comes first.

    Within half an hour of that (or for as long as handwork would take) a coat of the material that
    was last in the gun is preferred, then any coat, then a masking while the tape is out from the
    one before, then the piece that has most waiting before it.
    Never breaks a wait or a capacity; a window that closes before there is a place for the next
    coat ends what is planned of that piece.
    """
    return _Table(chains, rules).filled("rule")


def in_order(chains: Sequence[Chain], rules: Rules, order: Sequence[Key]) -> Plan:
    """Plan by an order: each act as soon as can be beside those before it; what is new comes last.

    An act may begin before one that comes first in the order, where that is in nobody's way.
    """
    places = {key: n for n, key in reversed(list(enumerate(order)))}
    return _InOrder(chains, rules, places).filled("order")


class _Table:
    """The plan as it grows."""

    def __init__(self, chains: Sequence[Chain], rules: Rules) -> None:
        self.chains, self.rules = chains, rules
        self.placed: list[Placed] = []
        self._next = [0] * len(chains)
        self._ready = [0] * len(chains)
        self._closed = [False] * len(chains)
        self._in_gun: str | None = None

    def filled(self, made_by: str) -> Plan:
        """Place act after act until none is left that can be."""
        while open_to := self._open():
            number, start = self._choose(open_to)
            self._place(number, start)
        placed = tuple(sorted(self.placed, key=lambda p: (p.start, p.chain)))
        return Plan(tuple(self.chains), placed, made_by)

    def _open(self) -> list[tuple[int, int]]:
        """When the next act of each chain could begin, and the chain."""
        open_to: list[tuple[int, int]] = []
        for number, chain in enumerate(self.chains):
            if self._closed[number] or self._next[number] == len(chain.acts):
                continue
            start = self._earliest(number, chain.acts[self._next[number]])
            if start is None:
                self._closed[number] = True
            else:
                open_to.append((start, number))
        return open_to

    def _choose(self, open_to: list[tuple[int, int]]) -> tuple[int, int]:
        """Return the chain whose act comes next, and when it begins."""
        soonest, first = min(open_to, key=lambda item: (item[0], -self._left(item[1])))
        # Handwork can wait: it must not sit in the booth's way while the air will do.
        act = self._act(first)
        reach = GROUP_WITHIN_MIN if act.sprayed else max(GROUP_WITHIN_MIN, act.minutes)
        near = [(s, n) for s, n in open_to if s < soonest + reach]
        like = [(s, n) for s, n in near if self._is_in_gun(n)]
        sprayed = [(s, n) for s, n in near if self._act(n).sprayed]
        taped = [(s, n) for s, n in near if self._act(n).masks and self._tape_is_out(s)]
        chosen = like or sprayed or taped or near
        start, number = min(chosen, key=lambda item: (item[0], -self._left(item[1])))
        return number, start

    def _place(self, number: int, start: int) -> None:
        """Put the next act of a chain where it begins."""
        index = self._next[number]
        act = self.chains[number].acts[index]
        self.placed.append(Placed(number, index, start))
        self._next[number] = index + 1
        self._ready[number] = start + act.minutes
        if act.sprayed:
            self._in_gun = act.material_id

    def _is_in_gun(self, number: int) -> bool:
        act = self._act(number)
        return act.sprayed and act.material_id == self._in_gun

    def _tape_is_out(self, start: int) -> bool:
        return any(
            act.masks and tape_is_out(p.start, p.start + act.minutes, start)
            for p in self.placed
            if (act := self.chains[p.chain].acts[p.index])
        )

    def _act(self, number: int) -> Act:
        return self.chains[number].acts[self._next[number]]

    def _left(self, number: int) -> int:
        chain = self.chains[number]
        rest = chain.acts[self._next[number] :]
        return sum(act.wait_min + act.minutes for act in rest) + chain.tail_min

    def _earliest(self, number: int, act: Act) -> int | None:
        index, ready = self._next[number], self._ready[number]
        last = None if index == 0 or act.closes_min is None else ready + act.closes_min
        for a, b in self.rules.stretches(act):
            for start in range(max(a, up(ready + act.wait_min)), b + 1, SLOT_MIN):
                if last is not None and start > last:
                    return None
                if self._free(number, act, start):
                    return start
        return None

    def _free(self, number: int, act: Act, start: int) -> bool:
        end = start + act.minutes
        beside = [
            other
            for p in self.placed
            if p.start < end
            and start < p.start + (other := self.chains[p.chain].acts[p.index]).minutes
        ]
        if len(beside) >= self.rules.hands:
            return False
        if act.in_booth and sum(other.in_booth for other in beside) >= self.rules.booth:
            return False
        if not act.sprayed:
            return True
        day = self.rules.day_of(start)
        coats = sum(
            1
            for p in self.placed
            if p.chain == number
            and self.chains[number].acts[p.index].sprayed
            and self.rules.day_of(p.start) == day
        )
        return coats < self.rules.coats_left(self.chains[number], day)


class _InOrder(_Table):
    """The plan as it grows in an order that is given."""

    def __init__(self, chains: Sequence[Chain], rules: Rules, places: Mapping[Key, int]) -> None:
        super().__init__(chains, rules)
        self._places = places

    def _choose(self, open_to: list[tuple[int, int]]) -> tuple[int, int]:
        def key(item: tuple[int, int]) -> tuple[int, int, int]:
            start, number = item
            act = self._act(number)
            known = (self.chains[number].piece, act.step_key, act.number)
            return self._places.get(known, len(self._places)), start, -self._left(number)

        start, number = min(open_to, key=key)
        return number, start
