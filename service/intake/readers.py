"""Which decoder reads a topic: our own formats, or the mapping of an adopted sensor kind."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sensors.halves import Half
from sensors.mapping import Decoder
from sensors.payloads import TOPIC_ROOT, Report, decode

__all__ = ["Readers"]


class Readers:
    """Reads messages; the mappings may be exchanged at any time, from any thread."""

    def __init__(self) -> None:
        self._decoders: tuple[Decoder, ...] = ()

    def use(self, decoders: Sequence[Decoder]) -> None:
        """Read by these mappings from here on."""
        self._decoders = tuple(decoders)

    def decode(
        self, topic: str, payload: bytes, received_at: datetime
    ) -> Sequence[Report | Half] | None:
        """Turn a message into reports and halves; None where no kind in use takes its topic.

        Raises
        ------
        PayloadError
            Naming what is wrong with it.
        """
        if topic.startswith(f"{TOPIC_ROOT}/"):
            return decode(topic, payload, received_at)
        for decoder in self._decoders:
            if decoder.matches(topic):
                return decoder.decode(topic, payload, received_at)
        return None
