"""Measures, and keeps what is worth keeping."""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import Enum

from sensors.node.buffer import Buffer, StorageError
from sensors.node.bus import Bus
from sensors.node.chip import (
    Chip,
    HeaterOnError,
    ImplausibleError,
    Measurement,
    ReadError,
    Sleep,
)
from sensors.node.clock import Clock, Moment
from sensors.node.heating import HeatingRule, HeatingState, is_due, is_settling, seen

__all__ = ["Outcome", "Sampler", "Source", "StuckGuard", "measured"]

log = logging.getLogger(__name__)

ATTEMPTS = 3
PAUSE_S = 0.05
TELL_AGAIN_AFTER = 100


class Outcome(Enum):
    """What came of one turn."""

    KEPT = "kept"
    FAILED = "failed"
    SETTLING = "settling"


@dataclass(frozen=True)
class Source:
    """Where measurements come from: how the bus is opened, and which chip is made on it."""

    open_bus: Callable[[], Bus]
    make_chip: Callable[[Bus], Chip]
    sleep: Sleep


class StuckGuard:
    """Finds a chip that repeats itself.

    The last bits of a sound chip are noise (SHT3x and SHT4x: 0.04 K and 0.08 % as three sigma, that
    is 15 and 40 steps; BME280 without oversampling: 9 steps of humidity as one sigma, and 3 Pa; all
    from memory), so that twenty times the same is not the air.
    """

    def __init__(self, most: int = 20) -> None:
        self._most = most
        self._last: tuple[int, ...] | None = None
        self._times = 0

    def pass_on(self, made: Measurement) -> Measurement:
        """Return the measurement, or raise ImplausibleError for a value that does not move."""
        self._times = self._times + 1 if made.raw == self._last else 1
        self._last = made.raw
        if self._times > self._most:
            raise ImplausibleError(
                f"the same to the last bit {self._times} times running ({made.air_c:.2f} °C, "
                f"{made.rh_pct:.1f} %): the chip is stuck"
            )
        return made


def measured(chip: Chip, sleep: Sleep, attempts: int = ATTEMPTS) -> Measurement:
    """Measure, trying again after a fault; before the last try the chip is reset.

    Raises
    ------
    ReadError
        The last one, when every try has failed; HeaterOnError at once.
    """
    for left in range(attempts - 1, -1, -1):
        try:
            if left == 0:
                chip.begin()
            return chip.measure()
        except HeaterOnError:
            raise
        except ReadError:
            if left == 0:
                raise
            sleep(PAUSE_S)
    raise ValueError("attempts: at least one")


class Sampler:
    """Takes a turn each time it is asked: measures into the buffer, heats when that is due."""

    def __init__(self, source: Source, buffer: Buffer, clock: Clock, heating: HeatingRule) -> None:
        self._source, self._buffer, self._clock, self._rule = source, buffer, clock, heating
        self._bus: Bus | None = None
        self._chip: Chip | None = None
        self._guard = StuckGuard()
        self._failures = 0
        boot = clock.now().boot
        clock.resume(buffer.anchor())
        heated_ms = buffer.heated_ms(boot)
        self._heating = HeatingState(heated_s=None if heated_ms is None else heated_ms / 1000)

    def turn(self) -> Outcome:
        """Measure once, or say why not; raises nothing that a later turn could mend."""
        moment = self._clock.now()
        if is_settling(self._heating, self._rule, moment.boot_ms / 1000):
            return Outcome.SETTLING
        try:
            chip = self._ready_chip()
            made = self._guard.pass_on(measured(chip, self._source.sleep))
            moment = self._clock.now()
            self._buffer.keep(made, moment)
            self._buffer.note_anchor(self._clock.anchor)
        except (ReadError, StorageError) as error:
            if isinstance(error, HeaterOnError):
                self._heating = replace(self._heating, heated_s=moment.boot_ms / 1000)
            return self._failed(error)
        if self._failures:
            log.info("chip=%s measures again, after failures=%d", chip.name, self._failures)
            self._failures = 0
        self._heat_if_due(chip, made, moment)
        return Outcome.KEPT

    def close(self) -> None:
        """Let go of the bus."""
        if self._bus is not None:
            self._bus.close()
        self._bus = self._chip = None

    def _ready_chip(self) -> Chip:
        if self._chip is None:
            self._bus = self._source.open_bus()
            chip = self._source.make_chip(self._bus)
            told = chip.identify()
            chip.begin()
            log.info("chip=%s found, %s", chip.name, told)
            self._chip = chip
        return self._chip

    def _failed(self, error: Exception) -> Outcome:
        self._failures += 1
        if self._failures % TELL_AGAIN_AFTER == 1:
            log.error("no measurement, failures=%d: %s", self._failures, error)
        # Begin anew next time: an adapter may have been pulled out, a chip exchanged.
        self.close()
        return Outcome.FAILED

    def _heat_if_due(self, chip: Chip, made: Measurement, moment: Moment) -> None:
        now_s = moment.boot_ms / 1000
        self._heating = seen(self._heating, self._rule, made.rh_pct, now_s)
        if not is_due(self._heating, self._rule, now_s):
            return
        try:
            self._buffer.note_heated(moment)  # before: a crash in the pulse must leave it behind
            warm = chip.heat()
        except (ReadError, StorageError) as error:
            self._failed(error)
        else:
            if warm is not None:
                log.info(
                    "heated at rh=%.1f, air=%.2f rose to %.2f",
                    made.rh_pct,
                    made.air_c,
                    warm.air_c,
                )
        self._heating = replace(self._heating, heated_s=self._clock.now().boot_ms / 1000)
