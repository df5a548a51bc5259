"""What has to be told, out of the state of the shop.

A notice is a fact with a key. The key names the occasion (this coat's mark, this silence), so that
asking again, after a restart or from another worker, finds the same key and tells nobody twice.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta

from service.shop.cards import InstrumentCard, PlannedMove
from service.shop.materials import Material
from service.shop.said import say
from service.shop.spray_check import SprayCheck
from service.shop.spray_windows import SprayWindow
from service.shop.wood_watch import BAND_PCT, WoodWatch

__all__ = [
    "MOVE_TOLD_FOR",
    "NOTICE_KINDS",
    "CheckState",
    "Draft",
    "SensorState",
    "WetCoat",
    "check_due_notice",
    "closing_notice",
    "move_key",
    "move_notice",
    "opening_notice",
    "ready_notice",
    "silent_notice",
    "stop_notice",
    "wood_notices",
]

NOTICE_KINDS = {
    "recoat-ready": "Ready for the next coat",
    "sand-ready": "Ready to sand",
    "handle-ready": "Ready to handle",
    "rub-out-ready": "Ready to level and rub out",
    "wipe-ready": "Time to wipe the oil",
    "buff-ready": "Ready to buff",
    "cut-ready": "Ready to file",
    "unclamp-ready": "Clamps may come off",
    "load-ready": "Ready for strings",
    "move-due": "Planned move due",
    "window-closing": "Recoat window closing",
    "window-opening": "Spray window opening",
    "wood-dry": "Too dry for wood",
    "wood-damp": "Too damp for wood",
    "wood-moving": "Plates move fast",
    "stop-spraying": "Stop spraying",
    "sensor-silent": "Sensor silent",
    "sensor-check-due": "Sensor wants a check",
}

CLOSING_AHEAD = timedelta(hours=2)
"""How long before a recoat window may close it is told, at most (assumed)."""

MOVE_TOLD_FOR = timedelta(hours=12)
"""How long after its time a planned move is still asked for (assumed)."""

OPENING_AHEAD = timedelta(hours=1)
OPENING_LIKELY = 0.6
"""How long before a spray window it is told, and how likely it must be (assumed)."""

AIR_LIMITS = frozenset({"blush_margin", "haze_margin", "dew_point_margin", "humidity"})
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
class CheckState:
    """A sensor in use: first heard, last checked (None: never), and how often it wants checking."""

    sensor_id: int
    place_id: str
    name: str
    first_at: datetime
    checked_at: datetime | None
    every_days: int

    @property
    def due_at(self) -> datetime:
        """When its humidity wants the next check."""
        return (self.checked_at or self.first_at) + timedelta(days=self.every_days)


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
        what = say(
            "{what}, {coat_number} of {coats}",
            what=what,
            coat_number=card.act.coat_number,
            coats=card.act.coats,
        )
    text = say(
        "No. {shop_number} ({kind}): ready for {what}",
        shop_number=card.shop_number,
        kind=card.kind,
        what=what,
    )
    if reckoned:
        text = say("{text}; reckoned without fresh readings, test it first", text=text)
    return Draft(
        key=f"ready:{card.last_coat_id}:{wait.mark}",
        kind=kind,
        text=text,
        place_id=card.place_id,
        instrument_id=card.id,
        coat_id=card.last_coat_id,
        data={"mark": wait.mark, "clock": wait.clock},
    )


def closing_notice(card: InstrumentCard, now: datetime) -> Draft | None:
    """Tell that a recoat window that is open is about to close, so that the next coat goes on."""
    wait = card.act.wait
    if (
        wait is None
        or card.last_coat_id is None
        or card.act.coat_number is None
        or wait.closes_from is None
        or not wait.reached
    ):
        return None
    opened = wait.ready_at or wait.closes_from
    ahead = min(CLOSING_AHEAD, (wait.closes_from - opened) / 4)
    if not wait.closes_from - ahead <= now <= wait.closes_from:
        return None
    return Draft(
        key=f"closing:{card.last_coat_id}:{wait.mark}",
        kind="window-closing",
        text=(
            say(
                "No. {shop_number} ({kind}): the recoat window may close soon; after "
                "that the coat wants scuff sanding first",
                shop_number=card.shop_number,
                kind=card.kind,
            )
        ),
        place_id=card.place_id,
        instrument_id=card.id,
        coat_id=card.last_coat_id,
        data={"mark": wait.mark, "closes_from": wait.closes_from.isoformat()},
    )


def move_key(move: PlannedMove) -> str:
    """Name the occasion of a planned move: put off and planned anew it is another one."""
    return f"move:{move.id}:{int(move.at.timestamp() * 1000)}"


def move_notice(card: InstrumentCard, place_name: str) -> Draft | None:
    """Tell that a planned move is due; until somebody says otherwise it counts as made."""
    move = card.due_move
    if move is None:
        return None
    planned_at = f"{move.at:%Y-%m-%dT%H:%MZ}"  # kept as an instant: each reader's clock says it
    return Draft(
        key=move_key(move),
        kind="move-due",
        text=say(
            "Move No. {shop_number} ({kind}) to {place_name} now: planned for {planned_at}",
            shop_number=card.shop_number,
            kind=card.kind,
            place_name=place_name,
            planned_at=planned_at,
        ),
        place_id=move.place_id,
        instrument_id=card.id,
        data={"move": str(move.id), "planned_at": move.at.isoformat()},
    )


def wood_notices(place_id: str, name: str, found: WoodWatch, now: datetime) -> list[Draft]:
    """Tell when a place has left the band, and once a day that plates move fast."""
    told = []
    if found.state in {"dry", "damp"} and found.since is not None and found.rh_pct is not None:
        way = say("Damp the air") if found.state == "dry" else say("Dry the air")
        low, high = BAND_PCT
        told.append(
            Draft(
                # To the hour: a late reading must not make another occasion of it.
                key=f"wood:{place_id}:{found.state}:{int(found.since.timestamp() // 3600)}",
                kind=f"wood-{found.state}",
                text=say(
                    "{name}: {rh_pct:.0f} % RH over the last hours, outside {low:.0f} to "
                    "{high:.0f} %. {way}, or move bare wood elsewhere",
                    name=name,
                    rh_pct=found.rh_pct,
                    low=low,
                    high=high,
                    way=way,
                ),
                place_id=place_id,
                data={"rh_pct": found.rh_pct, "equilibrium_pct": found.equilibrium_pct},
            )
        )
    fast = [moves for moves in found.plates if moves.too_fast]
    if fast and not told:  # one thing at a time: outside the band plates move anyway
        worst = max(fast, key=lambda m: max(abs(m.moved_mm), abs(m.will_move_mm)))
        past = abs(worst.moved_mm) >= abs(worst.will_move_mm)
        change = worst.moved_mm if past else worst.will_move_mm
        when = say("has moved") if past else say("will move")
        told.append(
            Draft(
                key=f"wood-moving:{place_id}:{int(now.timestamp() // 86_400)}",
                kind="wood-moving",
                text=say(
                    "{name}: a plate {width_mm:.0f} mm wide ({plate}) {when} "
                    "{change:.1f} mm in a day; keep joints and bare plates from it",
                    name=name,
                    width_mm=worst.plate.width_mm,
                    plate=worst.plate.name,
                    when=when,
                    change=abs(change),
                ),
                place_id=place_id,
                data={"change_mm": change},
            )
        )
    return told


def opening_notice(
    place_id: str, place_name: str, material: Material, window: SprayWindow | None, now: datetime
) -> Draft | None:
    """Tell shortly before a spray window that is likely enough opens."""
    if window is None or window.open_now or window.probability < OPENING_LIKELY:
        return None
    ahead = window.start_at - now
    if not timedelta(0) < ahead <= OPENING_AHEAD:
        return None
    return Draft(
        key=f"opening:{place_id}:{material.id}:{window.start_at:%Y-%m-%dT%H}",
        kind="window-opening",
        text=(
            say(
                "{place_name}: a spray window for {name} opens in about {ahead:.0f} min, "
                "for some {hours:.0f} h ({probability:.0f} % likely)",
                place_name=place_name,
                name=material.name,
                ahead=ahead / timedelta(minutes=1),
                hours=window.hours,
                probability=100 * window.probability,
            )
        ),
        place_id=place_id,
        data={
            "material": material.id,
            "opens_at": window.start_at.isoformat(),
            "closes_at": window.end_at.isoformat(),
            "probability": round(window.probability, 3),
        },
    )


def stop_notice(wet: WetCoat) -> Draft | None:
    """Tell that the air turned while a coat is wet."""
    broken = [r for r in wet.check.reasons if r.blocks and r.what in AIR_LIMITS]
    if wet.check.answer != "wait" or not broken:
        return None
    return Draft(
        key=f"stop:{wet.coat_id}",
        kind="stop-spraying",
        text=say(
            "Stop spraying in {place_id}: No. {shop_number} is wet and {text}",
            place_id=wet.place_id,
            shop_number=wet.shop_number,
            text=broken[0].text,
        ),
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
        text=say(
            "Sensor {name} in {place_id} has been silent for {age_s:.0f} min",
            name=sensor.name,
            place_id=sensor.place_id,
            age_s=age_s / 60,
        ),
        place_id=sensor.place_id,
        data={"last_at": sensor.last_at.isoformat()},
    )


def check_due_notice(sensor: CheckState, *, now: datetime) -> Draft | None:
    """Tell, once for each date it falls due, that a sensor's humidity wants checking."""
    if now < sensor.due_at:
        return None
    since = sensor.checked_at or sensor.first_at
    days = (now - since).days
    last = (
        say("the last was")
        if sensor.checked_at
        else say("it has never had one, and was first heard")
    )
    return Draft(
        key=f"check-due:{sensor.sensor_id}:{int(sensor.due_at.timestamp() * 1000)}",
        kind="sensor-check-due",
        text=say(
            "Sensor {name} in {place_id} is due for a humidity check: {last} {days} days ago",
            name=sensor.name,
            place_id=sensor.place_id,
            last=last,
            days=days,
        ),
        place_id=sensor.place_id,
        data={"sensor": str(sensor.sensor_id), "due_at": sensor.due_at.isoformat()},
    )
