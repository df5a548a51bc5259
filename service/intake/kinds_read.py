"""A shop's foreign sensors by the kinds in use: who reads which topic, and what to ask for."""

from __future__ import annotations

import logging
import threading
from collections.abc import Mapping

from sensors.mapping import Decoder
from sensors.payloads import TOPIC_ROOT
from service.intake.readers import Readers
from service.shop.said import say
from service.store.kinds import Kind, Kinds

__all__ = ["KindsRead"]

log = logging.getLogger(__name__)


class KindsRead:
    """Reads by the sensor kinds of a shop as they were when last read from the record.

    Parameters
    ----------
    kinds : Kinds
        The shop's sensor kinds.
    root : str
        What the shop's topics begin with at the broker.
    """

    def __init__(self, kinds: Kinds, root: str = "") -> None:
        self.readers = Readers()
        self.known: list[Kind] | None = None
        """None: to be read anew."""
        self.filters: Mapping[str, bool] | None = None
        """Topics to ask for, each with whether its readings name their instant; None: not known."""
        self.problem: str | None = None
        self._kinds, self._root = kinds, root
        self._forgotten = 0
        self._lock = threading.Lock()

    def refresh(self) -> None:
        """Take note of kinds that were adopted or retired; an error waits for the next time."""
        forgotten = self._forgotten
        try:
            kinds = self._kinds.in_use()
        except Exception as error:  # noqa: BLE001 -- kept as a problem, and tried again
            problem = f"{type(error).__name__}: {error}"
            if problem != self.problem:
                log.warning("sensor kinds cannot be read: %s", error)
            self.problem = problem
            return
        self.problem = None
        with self._lock:
            if kinds == self.known or forgotten != self._forgotten:
                return  # in the second case they are read again
            decoders = [Decoder(kind.mapping) for kind in kinds if kind.mapping is not None]
            self.readers.use(decoders)
            self.filters = {
                self._root + name: decoder.mapping.time is not None
                for decoder in decoders
                for name in decoder.pattern.filters()
            }
            self.known = kinds

    def forget(self) -> None:
        """Have them read anew: they may be others now. What was asked for stays until then."""
        with self._lock:
            self._forgotten += 1
            self.known = None

    def see_to(self, topic: str) -> None:
        """See that whoever reads a topic is known: what nobody reads counts as done with.

        Raises
        ------
        RuntimeError
            Where the sensor kinds cannot be read now.
        """
        if topic.startswith(f"{TOPIC_ROOT}/") or self.known is not None:
            return
        self.refresh()
        if self.known is None:
            raise RuntimeError(f"sensor kinds cannot be read: {self.problem}")

    def problems(self) -> list[str]:
        """Say which kinds cannot be read by, and why."""
        unread = [say("sensor kinds cannot be read: {why}", why=self.problem)]
        return [
            *(unread if self.problem else []),
            *(
                say("sensor kind {kind}: {why}", kind=kind.name, why=kind.trouble)
                for kind in self.known or []
                if kind.trouble
            ),
        ]
