"""A worker's sessions at the broker: its own, those of the slices it leads for, and heirlooms.

A worker that is gone leaves a session behind in which the broker keeps collecting its share of the
readings. If no worker takes its number up again before long, whoever leads for the first slice
takes over what waits there, and ends that session.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Mapping
from pathlib import Path

from service.clock import Clock
from service.intake.arrivals import Arrival
from service.intake.connection import Connection
from service.intake.heirlooms import Heirlooms
from service.intake.terms import Terms, client_id
from service.settings import MqttAddress
from service.store.standing import Alone, Standing

__all__ = ["FIRST", "HEIR_AFTER_S", "Lines"]

HEIR_AFTER_S = 20.0
"""Real seconds in which a worker that ended may come back for its session."""

SURE_AFTER_S = 5.0
"""What was under way to the session that guards, when sharing began again, has come by then."""

FIRST = 0
"""The slice whose leader looks after what is there once: sessions left behind, broker's files."""

log = logging.getLogger(__name__)


class Lines:
    """Opens and closes connections as the worker's standing goes; one thread calls :meth:`step`.

    Parameters
    ----------
    data_folder : Path
        Keeps the client id that all sessions are named by, and a mark for each worker's session.
    offer : callable
        Takes what arrives, as :class:`Connection` hands it over.
    """

    def __init__(
        self,
        address: MqttAddress,
        data_folder: Path,
        clock: Clock,
        offer: Callable[[Arrival, float], bool],
        standing: Standing | Alone,
        *,
        many: bool,
    ) -> None:
        self._address, self._folder, self._clock = address, data_folder, clock
        self._offer, self._standing, self._many = offer, standing, many
        self._base = client_id(data_folder)
        self._heirlooms = Heirlooms(address, data_folder, self._base, clock, offer)
        self._number: int | None = None
        self._own: Connection | None = None
        self._slices: dict[int, Connection] = {}
        self._missed_since: dict[int, float] = {}
        self.reconnects_before = self.restarts_before = self.dropped_before = 0

    def step(self) -> None:
        """Bring the connections in line with what this worker is."""
        self._look_after_own()
        led = self._standing.led
        for which in sorted(self._slices.keys() - led):
            self.let_go(which)
        for which in sorted(led - self._slices.keys()):
            self._slices[which] = self._open(
                Terms.of_slice(self._base, which, many=self._many),
                f"-s{which}" if which else "",
            )
        if FIRST in led:
            first = self._slices[FIRST]
            self._heirlooms.look_again((id(first), first.reconnects))
            self._look_after_heirlooms()
        else:
            self._drop_heirlooms()

    def let_go(self, which: int) -> None:
        """Close the session of a slice, before another worker opens it."""
        connection = self._slices.pop(which, None)
        if connection is not None:
            self._close(connection)

    def want(self, which: int, filters: Mapping[str, bool]) -> None:
        """Ask for the topics of foreign sensors in a slice's session."""
        connection = self._slices.get(which)
        if connection is not None:
            connection.filters.want(filters)

    def doubt(self) -> None:
        """Take what comes as having waited: nothing was acknowledged for a while."""
        for connection in self.all():
            connection.doubt()

    def start_anew(self) -> None:
        """Have the broker send once more what is unacknowledged."""
        for connection in self.all():
            connection.start_anew()

    def stop(self) -> None:
        """Close them all; what is unacknowledged stays at the broker."""
        for connection in self.all():
            self._close(connection)
        self._own, self._number = None, None
        self._slices.clear()

    def all(self) -> list[Connection]:
        """Return every connection."""
        own = [] if self._own is None else [self._own]
        return [*own, *list(self._slices.values()), *self._heirlooms.opened.values()]

    @property
    def connected(self) -> bool:
        """Whether this worker's share of the readings comes in."""
        own = self._own
        return own is not None and own.connected

    @property
    def cut_off(self) -> list[str]:
        """Say why readings do not come in."""
        if self._own is None:
            return [self._standing.problem or "no number among the workers yet"]
        lines = [self._own, *list(self._slices.values())]
        return [line.problem or "not connected" for line in lines if not line.connected]

    @property
    def refused(self) -> list[str]:
        """Say which topics of foreign sensors the broker refuses."""
        lines = list(self._slices.values())
        return [problem for line in lines for problem in line.filters.problems()]

    # -- inside ----------------------------------------------------------------------------

    def _dealt_out(self) -> bool:
        """Whether the broker has been dealing readings out to this worker for a while now.

        While it does, it does so to all that share. Mosquitto forgets who shares when it starts
        anew, and until somebody subscribes again readings come to the session that guards alone.
        """
        own = self._own
        since = None if own is None else own.connected_since
        return since is not None and time.monotonic() - since >= SURE_AFTER_S

    def _look_after_own(self) -> None:
        number = self._standing.number
        if number is not None:
            # Again and again: whoever had taken the number for left behind may end late.
            self._heirlooms.remember(number)
        if number == self._number:
            return
        if self._own is not None:
            self._close(self._own)
            self._own = None
        self._number = number
        if number is not None:
            terms = Terms.of_worker(self._base, number, many=self._many)
            self._own = self._open(terms, f"-{number}")

    def _look_after_heirlooms(self) -> None:
        for number in self._heirlooms.opened:
            if not self._standing.has(number):  # lost with the connection that held it
                self._heirlooms.close(number)
        for number in self._heirlooms.step():
            self._standing.release(number)
        for number in self._left_behind():
            if self._standing.adopt(number):
                self._heirlooms.open(number)

    def _left_behind(self) -> list[int]:
        """Return numbers with a session and, for a while now, without a worker."""
        gone = self._heirlooms.remembered() - self._standing.alive()
        now = time.monotonic()
        self._missed_since = {n: self._missed_since.get(n, now) for n in gone}
        return [n for n, since in self._missed_since.items() if now - since >= HEIR_AFTER_S]

    def _drop_heirlooms(self) -> None:
        for number in self._heirlooms.opened:
            self._heirlooms.close(number)
            self._standing.release(number)

    def _open(self, terms: Terms, suffix: str) -> Connection:
        connection = Connection(
            self._address,
            terms,
            self._folder / f"mqtt-filters{suffix}.json",
            self._clock,
            self._offer,
            spare=self._dealt_out,
        )
        connection.start()
        return connection

    def _close(self, connection: Connection) -> None:
        self._keep_counts(connection)
        connection.stop()

    def _keep_counts(self, connection: Connection) -> None:
        self.reconnects_before += connection.reconnects
        self.restarts_before += connection.restarts
        self.dropped_before += connection.dropped

    def counts(self) -> dict[str, int]:
        """What happened to connections since the start, to those that are closed, too."""
        lines = self.all()
        return {
            "dropped": self.dropped_before + sum(line.dropped for line in lines),
            "reconnects": self.reconnects_before + sum(line.reconnects for line in lines),
            "restarts": self.restarts_before + sum(line.restarts for line in lines),
        }
