"""The intake: nothing is acknowledged before it is committed.

Messages of the subscription wait in memory, unacknowledged, for a committing thread that takes
them in batches: decode, check, one commit, then an acknowledgement for each. If the commit fails,
none is acknowledged and the same batch is tried again; if the process dies, the broker still has
every one of them, because the session outlives the connection.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from service.clock import Clock
from service.intake.committer import Committer
from service.intake.connection import USUAL_WINDOW, Connection
from service.intake.heirlooms import Heirlooms
from service.intake.inbox import Inbox, OneInbox
from service.intake.kinds_read import KindsRead
from service.intake.sorter import Sorter
from service.intake.terms import Terms, client_id
from service.settings import MqttAddress
from service.store.db import Database
from service.store.kinds import Kinds
from service.store.readings import Recorded

__all__ = ["Intake"]

KINDS_EVERY_S = 3.0
"""Real seconds between looks at the sensor kinds: another process may have adopted one."""

log = logging.getLogger(__name__)


class Intake:
    """Subscribes to every place and sensor, and to adopted sensor kinds, and keeps what comes.

    Parameters
    ----------
    address : MqttAddress
        The broker.
    db, clock : Database, Clock
        Where readings go; what they are checked against.
    data_folder : Path
        Keeps the client id, which the broker knows the session by.
    on_recorded : callable
        Told after each commit that brought something new. Called from the committing thread.
    mqtt5 : bool
        Whether to ask for MQTT 5 first; False saves the embedded broker's refusal of it.
    usual_window : int
        Unacknowledged messages that the broker sends ahead where MQTT 3.1.1 is spoken.
    """

    def __init__(
        self,
        address: MqttAddress,
        db: Database,
        clock: Clock,
        data_folder: Path,
        *,
        on_recorded: Callable[[Recorded], None],
        mqtt5: bool = True,
        usual_window: int = USUAL_WINDOW,
    ) -> None:
        self._kinds = KindsRead(Kinds(db, clock))
        self._sorter = Sorter(self._kinds.readers, lambda: self._connection.window)
        self._committer = Committer(
            OneInbox(Inbox(db, self._sorter, on_recorded)),
            clock,
            on_recovered=self._after_a_stall,
            on_lost=self._after_a_loss,
        )
        base = client_id(data_folder)
        self._heirlooms = Heirlooms(address, data_folder, base, clock, self._committer.offer)
        self._connection = Connection(
            address,
            Terms.alone(base),
            data_folder / "mqtt-filters.json",
            clock,
            self._committer.offer,
            mqtt5=mqtt5,
            usual_window=usual_window,
        )

        self._stopping = threading.Event()
        self._refreshing = threading.Lock()
        self._watch = threading.Thread(target=self._watch_kinds, name="intake-kinds", daemon=True)

    def start(self) -> None:
        """Begin in the background; an absent broker is tried again for ever."""
        self.refresh()
        self._committer.start()
        self._connection.start()
        self._look_after_heirlooms()
        self._watch.start()

    def stop(self) -> None:
        """Finish the batch under way, then disconnect; what is left stays at the broker."""
        self._stopping.set()
        self._committer.stop()
        self._connection.stop()
        for number in self._heirlooms.opened:
            self._heirlooms.close(number)
        if self._watch.is_alive():
            self._watch.join(timeout=10)

    def refresh(self) -> None:
        """Take note of sensor kinds that were adopted or retired; an error waits for the next."""
        with self._refreshing:
            self._kinds.refresh()
            if self._kinds.filters is not None:
                self._connection.filters.want(self._kinds.filters)

    def wait_connected(self, timeout_s: float) -> bool:
        """Wait until the subscription stands."""
        return self._connection.wait_connected(timeout_s)

    @property
    def flooded(self) -> bool:
        """Whether so much comes that whatever can wait should."""
        return self._committer.flooded

    def floods(self) -> list[str]:
        """Topics on which far more comes than a sensor sends, for minutes now."""
        return self._committer.rates.floods()

    def health(self) -> dict[str, Any]:
        """Counters since the start, and under ``problems`` why readings may not be arriving."""
        connection = self._connection
        return self._committer.health(
            connected=connection.connected,
            cut_off=[] if connection.connected else [connection.problem],
            halves=self._sorter.waiting,
            dropped=connection.dropped,
            reconnects=connection.reconnects,
            restarts=connection.restarts,
            others=[*self._kinds.problems(), *connection.filters.problems()],
        )

    def _watch_kinds(self) -> None:
        while not self._stopping.wait(KINDS_EVERY_S):
            self.refresh()
            self._look_after_heirlooms()

    def _look_after_heirlooms(self) -> None:
        """Take over what workers have left that ran before this one process."""
        self._heirlooms.step()
        self._heirlooms.look_again(self._connection.reconnects)
        for number in self._heirlooms.remembered() - self._heirlooms.opened.keys():
            self._heirlooms.open(number)

    def _after_a_loss(self) -> None:
        for connection in (self._connection, *self._heirlooms.opened.values()):
            connection.start_anew()

    def _after_a_stall(self) -> None:
        # While nothing was acknowledged the broker may have held messages back.
        self._connection.doubt()
