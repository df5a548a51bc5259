"""What must hold of any message whatever on its way from the broker to the database's door."""

from __future__ import annotations

import math
import time
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta

from sensors.halves import Half
from sensors.mapping import Decoder, MappingError, mapping_of
from sensors.payloads import PayloadError, Report
from service.intake.arrivals import Arrival
from service.intake.check import AHEAD, EARLIEST, LIMITS
from service.intake.readers import Readers
from service.intake.sorter import Sorter
from service.store.readings import NewReading

NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
LONGEST_S = 1.0
"""Processor time of the longest payload, 64 KiB; a twentieth of this is usual."""

LATE = timedelta(minutes=5)


class FoundError(AssertionError):
    """Something that must hold did not."""


def holds(condition: object, what: object) -> None:
    if not condition:
        raise FoundError(what)


def message(
    topic: str, payload: bytes, decoders: Sequence[Decoder] = (), *, waited: bool = False
) -> list[NewReading]:
    """Take a message apart as the intake does; returns the readings fit to keep."""
    readers = Readers()
    readers.use(decoders)
    began = time.thread_time()
    try:
        parts = readers.decode(topic, payload, NOW)
    except PayloadError as error:
        holds(error.field and error.reason and len(str(error)) < 1000, error)
        parts = ()
    holds(time.thread_time() - began < LONGEST_S, "decoding took too long")
    holds(all(isinstance(part, Report | Half) for part in parts or ()), parts)
    sorter = Sorter(readers)
    arrival = Arrival(topic, payload, len(payload), NOW, waited=waited)
    found = sorter.sort([arrival], NOW)
    waiting = sorter.waiting
    late = sorter.sort([], NOW + LATE)
    holds(sorter.waiting == 0, "a half waits for ever")
    holds(found.done + late.done == [arrival], "a message is not done with once")
    holds(waiting or not late.done, "nothing waited, and yet it was not done with at once")
    for _, error in (*found.bad, *late.bad):
        holds(not error.reason.startswith("could not be read"), error)
    readings = [reading for reading, _ in (*found.good, *late.good)]
    for reading in readings:
        fit(reading)
    return readings


def fit(reading: NewReading) -> None:
    """What the database relies on."""
    for name, (low, high, _unit) in LIMITS.items():
        value = getattr(reading, name)
        holds(value is None or (math.isfinite(value) and low <= value <= high), reading)
    holds(reading.battery_pct is None or 0 <= reading.battery_pct <= 100, reading)
    holds(reading.at.tzinfo is UTC and EARLIEST <= reading.at <= NOW + AHEAD, reading)
    holds(0 < len(reading.place) <= 64 and 0 < len(reading.sensor) <= 64, reading)


def mapping(spec: object, topic: str, payload: bytes) -> list[NewReading]:
    """Read a message by a mapping, if it is one."""
    began = time.thread_time()
    try:
        decoder = Decoder(mapping_of(spec))
    except MappingError as error:
        holds(str(error), spec)
        return []
    finally:
        holds(time.thread_time() - began < LONGEST_S, "checking a mapping took too long")
    holds(mapping_of(decoder.mapping.spec()) == decoder.mapping, spec)
    holds(isinstance(spec, Mapping), spec)
    return message(topic, payload, [decoder])
