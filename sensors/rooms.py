"""The rooms of a simulated workshop: what they are made of, and what happens in them."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["SALTMARSH", "Room", "Shop", "Spraying"]


@dataclass(frozen=True)
class Room:
    """One room: a volume of air, something heavy in it, wood that takes up and gives off water.

    ``wall_w_k`` joins the air to outdoors; ``contact_w_k`` joins it to the mass (walls, benches,
    wood). The wood is a store of water with a relative humidity of its own: ``wood_g_pct`` grams
    for each per cent, exchanging ``wood_g_s`` grams of dry air's worth a second with the room.
    """

    name: str
    volume_m3: float
    wall_w_k: float
    mass_kj_k: float
    contact_w_k: float
    wood_g_pct: float
    wood_g_s: float
    fresh_per_h: float
    heater_w: float = 0.0
    dryer_g_h: float = 0.0
    dry_above_pct: float = 55.0
    people: float = 0.0


@dataclass(frozen=True)
class Spraying:
    """A daily round of spraying: from an hour of the shop's day, for so long, so much solvent."""

    at_h: float
    minutes: float
    solvent_g: float


@dataclass(frozen=True)
class Shop:
    """A workshop: rooms, its day, and the booth's fan.

    The fan draws ``fan_m3_s`` through ``booth``: a part of it from ``fan_from``, which makes it up
    from outdoors, and the rest from outdoors at once.
    """

    rooms: tuple[Room, ...]
    booth: str
    fan_from: str
    fan_m3_s: float = 0.30
    fan_share: float = 0.7
    fan_after_min: float = 10.0
    day_from_h: float = 7.0
    day_until_h: float = 18.0
    day_c: float = 20.5
    night_c: float = 15.0
    sprayings: tuple[Spraying, ...] = ()
    utc_offset_h: float = 0.0

    def __post_init__(self) -> None:
        """Check that the fan's rooms exist and nothing is below zero."""
        names = [room.name for room in self.rooms]
        if len(set(names)) != len(names):
            raise ValueError("rooms: a name comes twice")
        for field in ("booth", "fan_from"):
            if getattr(self, field) not in names:
                raise ValueError(f"{field}: there is no room {getattr(self, field)!r}")
        for room in self.rooms:
            for field in ("volume_m3", "mass_kj_k", "wood_g_pct"):
                if not getattr(room, field) > 0:
                    raise ValueError(f"{room.name}: {field} must be above 0")
            for field in ("wall_w_k", "contact_w_k", "wood_g_s", "fresh_per_h", "heater_w",
                          "dryer_g_h", "people"):  # fmt: skip
                if not getattr(room, field) >= 0:
                    raise ValueError(f"{room.name}: {field} must not be below 0")


SALTMARSH = Shop(
    rooms=(
        Room(
            name="booth",
            volume_m3=22.0,
            wall_w_k=14.0,
            mass_kj_k=500.0,
            contact_w_k=70.0,
            wood_g_pct=4.0,
            wood_g_s=0.4,
            fresh_per_h=1.5,
            heater_w=2500.0,
        ),
        Room(
            name="rack",
            volume_m3=60.0,
            wall_w_k=70.0,
            mass_kj_k=2500.0,
            contact_w_k=180.0,
            wood_g_pct=30.0,
            wood_g_s=3.0,
            fresh_per_h=0.8,
            heater_w=5000.0,
            people=2.0,
        ),
        Room(
            name="wood-store",
            volume_m3=30.0,
            wall_w_k=22.0,
            mass_kj_k=2500.0,
            contact_w_k=90.0,
            wood_g_pct=90.0,
            wood_g_s=5.0,
            fresh_per_h=0.3,
            heater_w=1000.0,
            dryer_g_h=500.0,
            dry_above_pct=52.0,
        ),
    ),
    booth="booth",
    fan_from="rack",
    sprayings=(
        Spraying(at_h=9.5, minutes=8.0, solvent_g=120.0),
        Spraying(at_h=11.0, minutes=8.0, solvent_g=120.0),
        Spraying(at_h=14.0, minutes=10.0, solvent_g=150.0),
        Spraying(at_h=15.75, minutes=8.0, solvent_g=120.0),
    ),
)
"""Saltmarsh Strings, an invented two-bench shop near a river mouth; all figures are chosen."""
