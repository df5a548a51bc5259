"""How a shop is that workers serve together, as one of them sees it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from sensors.payloads import shop_root
from service.intake.doorkeeper import Running
from service.shop.said import say
from service.watch import Check, Watch
from service.web.metrics import Figure

if TYPE_CHECKING:
    from service.worker.room import Room
    from service.worker.worker import Worker

__all__ = ["RoomWatch"]


class RoomWatch(Watch):
    """Looks at one shop and at the worker that was asked."""

    def __init__(self, worker: Worker, room: Room) -> None:
        super().__init__(_Seen(worker, room), room.db)
        self._worker = worker

    def health(self) -> dict[str, Any]:
        """Say how shop and worker are, and which worker it is."""
        standing = self._worker.standing
        return super().health() | {
            "worker": standing.number,
            "leads": self._shop.leads,
        }

    def checks(self, intake: dict[str, Any]) -> list[Check]:
        """Look at everything, and at what ties the workers together."""
        return [*super().checks(intake), self._workers()]

    def figures(self) -> Iterator[Figure]:
        """Yield the shop's figures, and whether this worker leads for it."""
        yield Figure("worker_leads", "Whether the worker leads for the shop", self._shop.leads)
        yield from super().figures()

    def _workers(self) -> Check:
        worker, check = self._worker, Check("workers")
        if worker.standing.problem:
            check.complain(
                say("this worker has no standing: {why}", why=worker.standing.problem), "failing"
            )
        if worker.wire.problem:
            check.complain(
                say("other workers are not heard: {why}", why=worker.wire.problem), "failing"
            )
        return check


class _Seen:
    """What :class:`Watch` looks at, of a worker and one of its shops."""

    def __init__(self, worker: Worker, room: Room) -> None:
        self._worker, self._room = worker, room
        self.address, self.broker = worker.address, None
        self.settings, self.clock, self.db = room.settings, worker.clock, room.db
        self.settler, self.jobs = worker.settler, worker.jobs
        self.certificates = Running(room.settings.certificates_folder)
        self.doorkeeper = worker.broker_files
        self.intake = self

    @property
    def leads(self) -> bool:
        """Whether this worker leads for the shop."""
        return self._worker.standing.leads(self._room.word)

    @property
    def desk(self) -> Any:
        """Who answers."""
        return self._room.rooms.desk

    @property
    def hub(self) -> Any:
        """Who tells open pages."""
        return self._room.rooms.hub

    @property
    def web(self) -> Any:
        """Who answers requests."""
        return self._room.rooms.web

    @property
    def outbox(self) -> Any:
        """What goes out to people."""
        return self._room.rooms.outbox

    @property
    def keeper(self) -> Any:
        """Who makes back-ups, where this worker does."""
        return self._room.rooms.keeper if self.leads else None

    def health(self) -> dict[str, Any]:
        """Say how the intake is."""
        return self._worker.health(self._room.kinds.problems())

    def floods(self) -> list[str]:
        """Say which of the shop's topics bring far too much."""
        root = shop_root(self._room.word)
        return [said for said in self._worker.committer.rates.floods() if root in said]
