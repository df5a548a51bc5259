"""The intake: nothing is acknowledged before it is committed.

Messages of the subscription wait in memory, unacknowledged, for a committing thread that takes
them in batches: decode, check, one commit, then an acknowledgement for each. If the commit fails,
none is acknowledged and the same batch is tried again; if the process dies, the broker still has
every one of them, because the session outlives the connection.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from service.clock import Clock
from service.intake.committer import Committer
from service.intake.connection import Connection
from service.settings import MqttAddress
from service.store.db import Database
from service.store.readings import Recorded

__all__ = ["Intake"]


class Intake:
    """Subscribes to every place and sensor and keeps what comes.

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
    ) -> None:
        self._committer = Committer(
            db, clock, on_recorded=on_recorded, on_recovered=self._after_a_stall
        )
        self._connection = Connection(
            address, data_folder, clock, self._committer.offer, mqtt5=mqtt5
        )

    def start(self) -> None:
        """Begin in the background; an absent broker is tried again for ever."""
        self._committer.start()
        self._connection.start()

    def stop(self) -> None:
        """Finish the batch under way, then disconnect; what is left stays at the broker."""
        self._committer.stop()
        self._connection.stop()

    def wait_connected(self, timeout_s: float) -> bool:
        """Wait until the subscription stands."""
        return self._connection.wait_connected(timeout_s)

    def health(self) -> dict[str, Any]:
        """Counters since the start, and under ``problems`` why readings may not be arriving."""
        connection, committer = self._connection, self._committer
        problems = []
        if not connection.connected:
            problems.append(f"no connection to the broker: {connection.problem}")
        if committer.problem is not None:
            problems.append(f"readings cannot be kept: {committer.problem}")
        return {
            "connected": connection.connected,
            "waiting": committer.waiting,
            "last_commit_at": committer.last_commit_at,
            **vars(committer.counters),
            "dropped": connection.dropped,
            "reconnects": connection.reconnects,
            "worker_restarts": committer.restarts + connection.restarts,
            "last_error": committer.last_error,
            "problems": problems,
        }

    def _after_a_stall(self) -> None:
        # While nothing was acknowledged the broker may have held messages back.
        self._connection.doubt()
