"""Which kinds of chips there are, where they sit, and what is found on a bus."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from sensors.node import bme280, sht3x, sht4x
from sensors.node.bus import Bus
from sensors.node.chip import BusError, Chip, NoAnswerError, ReadError, Sleep, WrongChipError

__all__ = ["KINDS", "Found", "Kind", "look"]


@dataclass(frozen=True)
class Kind:
    """A kind of chip: how it is made, the addresses it can have, and whether it has a heater."""

    make: Callable[[Bus, int, Sleep], Chip]
    addresses: tuple[int, ...]
    has_heater: bool


KINDS: Mapping[str, Kind] = {
    "sht3x": Kind(sht3x.Sht3x, sht3x.ADDRESSES, has_heater=True),
    "sht4x": Kind(sht4x.Sht4x, sht4x.ADDRESSES, has_heater=True),
    "bme280": Kind(bme280.Bme280, bme280.ADDRESSES, has_heater=False),
}


@dataclass(frozen=True)
class Found:
    """Who answers at an address: a chip we know, with what it tells of itself, or a stranger."""

    address: int
    kind: str | None
    told: str


def look(bus: Bus, sleep: Sleep) -> list[Found]:
    """Ask at every address that one of our chips can have; raises BusError if the bus fails.

    A chip is asked in a way that changes nothing in it.
    """
    found = []
    for address in sorted({a for kind in KINDS.values() for a in kind.addresses}):
        answer = _ask(bus, address, sleep)
        if answer is not None:
            found.append(answer)
    return found


def _ask(bus: Bus, address: int, sleep: Sleep) -> Found | None:
    stranger = None
    for name, kind in KINDS.items():
        if address not in kind.addresses:
            continue
        try:
            return Found(address, name, kind.make(bus, address, sleep).identify())
        except NoAnswerError:
            continue
        except BusError:
            raise
        except WrongChipError as error:
            stranger = Found(address, None, str(error))
        except ReadError as error:
            stranger = stranger or Found(address, None, f"not a sound {name}: {error}")
    return stranger
