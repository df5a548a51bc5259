"""What workers that are gone have left behind: sessions that go on to collect readings.

The broker keeps handing them their share. Each is emptied, and then ended.
"""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Callable
from pathlib import Path

from service.clock import Clock
from service.intake.arrivals import Arrival
from service.intake.connection import Connection
from service.intake.terms import Terms
from service.settings import MqttAddress

__all__ = ["Heirlooms"]

log = logging.getLogger(__name__)


class Heirlooms:
    """Remembers which numbers have a session, and takes over what waits in those left behind.

    A broker that was killed comes back as it last wrote itself down, and may know sessions again
    that were ended since; nothing would ever be taken from them. So each is looked at once more.

    Whoever opens one has made sure that no worker of that number runs.

    Parameters
    ----------
    data_folder : Path
        Keeps a mark for each session.
    base : str
        The client id that sessions are named by.
    offer : callable
        Takes what arrives, as :class:`Connection` hands it over.
    """

    def __init__(
        self,
        address: MqttAddress,
        data_folder: Path,
        base: str,
        clock: Clock,
        offer: Callable[[Arrival, float], bool],
    ) -> None:
        self._address, self._base, self._clock, self._offer = address, base, clock, offer
        self._folder = data_folder
        self._marks = data_folder / "mqtt-sessions"
        self._ended = data_folder / "mqtt-sessions-ended"
        self._seen: object = None
        self._open: dict[int, Connection] = {}

    def remember(self, number: int) -> None:
        """Write down that a worker's session is about to begin."""
        self._marks.mkdir(exist_ok=True)
        (self._marks / str(number)).touch()

    def remembered(self) -> set[int]:
        """Return the numbers that have a session at the broker, as far as was written down."""
        return {int(mark.name) for mark in self._marks.glob("*") if mark.name.isdecimal()}

    def look_again(self, connected: object) -> None:
        """Remember those that were ended, too, where ``connected`` is not what it was before.

        It says which connection to the broker this is: behind a new one may be a new broker.
        """
        if connected == self._seen:
            return
        self._seen = connected
        self._marks.mkdir(exist_ok=True)
        for mark in self._ended.glob("*"):
            mark.replace(self._marks / mark.name)

    @property
    def opened(self) -> dict[int, Connection]:
        """Those that are being emptied."""
        return dict(self._open)

    def open(self, number: int) -> None:
        """Begin to take over what waits in a session."""
        self._open[number] = connection = Connection(
            self._address,
            Terms.of_gone(self._base, number),
            self._folder / f"mqtt-filters-gone-{number}.json",
            self._clock,
            self._offer,
        )
        connection.start()

    def step(self) -> list[int]:
        """End the sessions that are empty; return their numbers."""
        empty = [number for number, connection in self._open.items() if connection.idle]
        for number in empty:
            self._open.pop(number).end_session()
            self._ended.mkdir(exist_ok=True)
            with contextlib.suppress(FileNotFoundError):
                (self._marks / str(number)).replace(self._ended / str(number))
            log.info("what worker %d had left at the broker was taken over", number)
        return empty

    def close(self, number: int) -> None:
        """Leave a session as it is."""
        self._open.pop(number).stop()
