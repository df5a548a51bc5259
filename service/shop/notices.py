"""What has to be told, out of the state of the shop.

A notice is a fact with a key. The key names the occasion (this coat's mark, this silence), so that
asking again, after a restart or from another worker, finds the same key and tells nobody twice.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

from service.shop.cards import InstrumentCard
from service.shop.spray_check import SprayCheck

__all__ = [
    "NOTICE_KINDS",
    "Draft",
    "SensorState",
    "WetCoat",
    "ready_notice",
    "silent_notice",
    "stop_notice",
]

NOTICE_KINDS = {
    "recoat-ready": "Ready for the next coat",
    "sand-ready": "Ready to sand",
    "handle-ready": "Ready to handle",
    "rub-out-ready": "Ready to level and rub out",
    "wipe-ready": "Time to wipe the oil",
    "buff-ready": "Ready to buff",
    "stop-spraying": "Stop spraying",
    "sensor-silent": "Sensor silent",
}

AIR_LIMITS = frozenset({"blush_margin", "dew_point_margin", "humidity"})
"""Limits that, once broken, harm a coat that is still wet."""


@dataclass(frozen=True)
class Draft:
    """A notice that is due; kept only if its key is new."""

    key: str
    kind: str
    text: str
    place_id: str | None = None
    instrument_id: int | None = None
    coat_id: int | None = None
    data: dict[str, float | str | None] = field(default_factory=dict)


@dataclass(frozen=True)
class SensorState:
    """A sensor and when it was last heard."""

    place_id: str
    name: str
    last_at: datetime


@dataclass(frozen=True)
class WetCoat:
    """A coat that has not reached its first mark, and the check of its place now."""

    coat_id: int
    instrument_id: int
    shop_number: str
    place_id: str
    at: datetime
    check: SprayCheck


def ready_notice(card: InstrumentCard) -> Draft | None:
    """Tell that the mark an instrument's open step waits for is reached.

    With readings missing up to now the clock runs on held air: then the notice waits until even
    the late end of the range has passed.
    """
    wait = card.act.wait
    if wait is None or card.last_coat_id is None or not wait.reached:
        return None
    reckoned = wait.trailing_gap_h > 0.5
    if reckoned and not wait.surely:
        return None
    kind = f"{wait.mark.replace('_', '-')}-ready"
    what = card.act.step_name
    if card.act.coat_number is not None and card.act.coats:
        what = f"{what}, {card.act.coat_number} of {card.act.coats}"
    tail = "; reckoned without fresh readings, test it first" if reckoned else ""
    return Draft(
        key=f"ready:{card.last_coat_id}:{wait.mark}",
        kind=kind,
        text=f"No. {card.shop_number} ({card.kind}): ready for {what}{tail}",
        place_id=card.place_id,
        instrument_id=card.id,
        coat_id=card.last_coat_id,
        data={"mark": wait.mark, "clock": wait.clock},
    )


def stop_notice(wet: WetCoat) -> Draft | None:
    """Tell that the air turned while a coat is wet."""
    broken = [r for r in wet.check.reasons if r.blocks and r.what in AIR_LIMITS]
    if wet.check.answer != "wait" or not broken:
        return None
    return Draft(
        key=f"stop:{wet.coat_id}",
        kind="stop-spraying",
        text=f"Stop spraying in {wet.place_id}: No. {wet.shop_number} is wet and {broken[0].text}",
        place_id=wet.place_id,
        instrument_id=wet.instrument_id,
        coat_id=wet.coat_id,
        data={"reason": broken[0].what, "value": broken[0].value, "limit": broken[0].limit},
    )


def silent_notice(
    sensor: SensorState, *, now: datetime, listening_since: datetime, stale_after_s: float
) -> Draft | None:
    """Tell, once for each silence, that a sensor has stopped reporting.

    Time in which nobody listened does not count: after a night switched off, a sensor gets its
    time to speak before it is called silent.
    """
    age_s = (now - sensor.last_at).total_seconds()
    if min(age_s, (now - listening_since).total_seconds()) <= stale_after_s:
        return None
    return Draft(
        key=f"silent:{sensor.place_id}/{sensor.name}:{int(sensor.last_at.timestamp() * 1000)}",
        kind="sensor-silent",
        text=f"Sensor {sensor.name} in {sensor.place_id} has been silent for {age_s / 60:.0f} min",
        place_id=sensor.place_id,
        data={"last_at": sensor.last_at.isoformat()},
    )
