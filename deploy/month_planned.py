"""Who works through a simulated month by the tool's plan, to the letter."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from month_floor import LOOK, Bench
from month_people import ToolFinisher
from month_world import ZONE, World

from service.store.catalogue import Catalogue
from service.store.planning import Planner

__all__ = ["PlanFinisher"]


class PlanFinisher(ToolFinisher):
    """Does what the plan, made anew at each look, has due by then, and nothing before.

    Comes when the plan says that something begins, and every half hour. One more coat for one that
    blushed stands in no plan: it is laid as by the cards, when nothing that is planned is due.
    """

    def __init__(self, world: World, folder: Path, catalogue: Catalogue) -> None:
        super().__init__(world, folder, catalogue)
        # By the simple rule: the same wherever it runs, and a month has some four hundred plans.
        self.planner = Planner(self.db, self.clock, self.desk, ZONE, search=False)
        self._next_at: datetime | None = None

    def choose(self, open_to: list[Bench], /) -> Bench | None:
        """Choose the first line of the plan that is due and can be done."""
        self._take_in()
        self._make_ready(open_to)
        now = self.world.now
        plan = self.planner.plan()
        self._next_at = min((x.start_at for x in plan.lines if x.start_at > now), default=None)
        by_id = {self._ids[bench.index]: bench for bench in open_to}
        planned = set()
        for line in plan.lines:
            bench = by_id.get(line.instrument_id)
            if bench is None or line.step_key != bench.task.step.key:
                continue
            planned.add(bench.index)
            if line.start_at <= now and self._air_will_do(bench):
                return bench
        unplanned = [bench for bench in open_to if bench.index not in planned]
        return super().choose(unplanned) if unplanned else None

    def next_look(self) -> datetime:
        """Come back when the plan says, or after half an hour."""
        now, planned = self.world.now, self._next_at
        # Where no piece was open nobody asked for a plan, and the last one may lie behind.
        if planned is None or planned <= now:
            return now + LOOK
        return min(now + LOOK, planned)

    def _make_ready(self, open_to: list[Bench]) -> None:
        """Have the tables of the spray windows made, as the service's timer would."""
        wanted = {task.material for bench in open_to for task in bench.tasks[bench.next :]}
        for material in sorted(filter(self.world.sprayed, wanted)):
            check = self.desk.spray_check("booth", material)
            self.desk.windows("booth", check, wait=True)
