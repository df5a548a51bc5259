"""Simulated sensors at work: the booth runs with the shop's clock, its probes publish over MQTT."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping
from datetime import datetime

from sensors.booth import OUTDOORS, Air, Booth
from sensors.payloads import encode, topic_of
from sensors.probe import Probe
from sensors.publish import Broker, Publisher, PublishError

__all__ = ["SENSOR", "Feed", "probes", "report"]

log = logging.getLogger(__name__)

SENSOR = "probe"

EVERY_S = 30.0
"""Shop time from report to report."""

LEAST_REAL_S = 0.05
"""Real time from report to report when the clock is driven fast: 20 rounds a second at most."""

CATCH_UP_S = 300.0
"""Shop time from report to report where the clock was jumped forward."""

TRY_AGAIN_S = 5.0


def probes(places: Mapping[str, Air], seed: int) -> dict[str, Probe]:
    """Return a probe for each place, each with errors of its own."""
    return {place: Probe(seed + index) for index, place in enumerate(sorted(places))}


def report(place: str, probe: Probe, air: Air, at: datetime) -> bytes:
    """Return what a probe sends; outdoors nothing hangs whose surface could be measured."""
    seen = probe.read(air)
    return encode(
        at=at,
        air_c=seen.air_c,
        rh_pct=seen.rh_pct,
        surface_c=None if place == OUTDOORS else seen.surface_c,
        pressure_pa=seen.pressure_pa,
    )


class Feed:
    """Steps a booth by the clock in a thread of its own and publishes what its probes see.

    Parameters
    ----------
    booth : Booth
        Already run up to about now.
    seed : int
        For the probes' errors.
    broker : Broker
        Where to publish.
    now, rate : callable
        The shop's clock: its time, and how many seconds of it go by in a real one.
    """

    def __init__(
        self,
        booth: Booth,
        seed: int,
        broker: Broker,
        *,
        now: Callable[[], datetime],
        rate: Callable[[], float],
    ) -> None:
        self._booth, self._broker, self._now, self._rate = booth, broker, now, rate
        self._probes = probes(booth.air(), seed)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="simulated booth", daemon=True)
        self.rounds = 0

    def start(self) -> None:
        """Start publishing."""
        self._thread.start()

    def stop(self) -> None:
        """Stop, and wait until it has."""
        self._stop.set()
        self._thread.join(timeout=10.0)

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                with Publisher(self._broker) as publisher:
                    self._publish(publisher)
            except PublishError as error:
                # Said once a try: the shop's own health page says the rest.
                log.warning("simulated booth: %s", error)
                self._stop.wait(TRY_AGAIN_S)

    def _publish(self, publisher: Publisher) -> None:
        while not self._stop.is_set():
            self._round(publisher)
            rate = self._rate()
            self._stop.wait(max(EVERY_S / rate, LEAST_REAL_S))

    def _round(self, publisher: Publisher) -> None:
        """Bring the booth up to now; after a jump of the clock by way of a report now and then."""
        usual_s = max(EVERY_S, self._rate() * LEAST_REAL_S)
        while not self._stop.is_set():
            missing_s = (self._now() - self._booth.at).total_seconds()
            if missing_s <= 0:
                return
            step_s = missing_s if missing_s < 3.0 * usual_s else min(missing_s, CATCH_UP_S)
            places = self._booth.step(step_s)
            for place, air in places.items():
                publisher.publish(
                    topic_of(place, SENSOR), report(place, self._probes[place], air, self._booth.at)
                )
            self.rounds += 1
            if step_s == missing_s:
                return
