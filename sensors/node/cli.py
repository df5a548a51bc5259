"""``boothglass-node``: run, measure once, or look what is on the bus."""

from __future__ import annotations

import argparse
import logging
import signal
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from sensors.node.buffer import StorageError
from sensors.node.bus import Bus, LinuxBus
from sensors.node.chip import Chip, ReadError
from sensors.node.chips import KINDS, look
from sensors.node.clock import BoardClock, Clock, kernel_is_disciplined
from sensors.node.forwarder import instant_of
from sensors.node.node import run
from sensors.node.notify import tell
from sensors.node.pairing import PairingError, pair, write_settings
from sensors.node.sampler import Source, measured
from sensors.node.settings import (
    FIELDS,
    ChipSettings,
    SettingsError,
    bus_number,
    chip_settings,
    settings,
)
from sensors.payloads import encode

__all__ = ["main"]

OpenBus = Callable[[int], Bus]

CONFIG = Path("/etc/boothglass/node.toml")

FAILED, NOT_UNDERSTOOD = 1, 2
WHOLE = frozenset({"bus", "most_rows"})
NUMBERS = frozenset({"interval_s", "most_days", "most_per_s", "heater_above_pct"})


def main(
    arguments: Sequence[str] | None = None,
    *,
    open_bus: OpenBus = LinuxBus,
    make_clock: Callable[[bool], Clock] = lambda trusted: BoardClock(trusted=trusted),
) -> int:
    """Run the command; return its exit code: 0, 1 for a fault, 2 for a wrong setting.

    ``open_bus`` and ``make_clock`` are where the board comes in.
    """
    told = list(sys.argv[1:] if arguments is None else arguments)
    if told[:1] == ["pair"]:
        return _pair(vars(_pair_parser().parse_args(told[1:])))
    given = vars(_parser().parse_args(told))
    what, once, path = given.pop("what"), given.pop("once"), given.pop("config")
    logging.basicConfig(level=logging.INFO, stream=sys.stderr, format="%(levelname)s %(message)s")
    try:
        if what == "check":
            return _check(bus_number(path, given), open_bus)
        if once:
            chip = chip_settings(path, given)
            return _once(chip, open_bus, make_clock(chip.trust_clock))
        wanted = settings(path, given)
    except SettingsError as error:
        return _say(f"{error}", NOT_UNDERSTOOD)
    except ReadError as error:
        return _say(f"{error}", FAILED)
    stop = threading.Event()
    for end in (signal.SIGTERM, signal.SIGINT):
        signal.signal(end, lambda *_: stop.set())
    try:
        source = _source(wanted.chip, open_bus)
        return run(wanted, source, make_clock(wanted.chip.trust_clock), stop, tell)
    except StorageError as error:
        return _say(f"buffer: {error}", FAILED)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="boothglass-node",
        description="Reads a humidity chip on an I²C bus and publishes what it measures over MQTT.",
        epilog="Every flag but --config and --once is also a setting of the file, with _ for -.",
    )
    parser.add_argument(
        "what",
        nargs="?",
        choices=("run", "check"),
        default="run",
        help="run (the default), or check: tell what is on the bus; pair --help: fetch a password",
    )
    parser.add_argument("--config", type=Path, help="TOML file with the settings")
    parser.add_argument("--once", action="store_true", help="print one reading and end")
    for name, meaning in FIELDS.items():
        flag = f"--{name.replace('_', '-')}"
        if name == "trust_clock":
            parser.add_argument(flag, action="store_true", default=None, help=meaning)
        else:
            parser.add_argument(flag, type=_kind(name), metavar=name.upper(), help=meaning)
    return parser


def _pair_parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="boothglass-node pair",
        description="Fetches user, password and topic by a code from the page, and writes them.",
    )
    parser.add_argument("address", help="of the pages, http://host:port or https://")
    parser.add_argument("code", help="as the page shows it")
    parser.add_argument("digest", nargs="?", help="of the shop's authority, with https://")
    parser.add_argument("--config", type=Path, default=CONFIG, help=f"file to write ({CONFIG})")
    parser.add_argument("--chip", choices=tuple(KINDS), help=FIELDS["chip"])
    return parser


def _pair(given: Mapping[str, Any]) -> int:
    try:
        paired = pair(given["address"], given["code"], given["digest"])
        more = {} if given["chip"] is None else {"chip": given["chip"]}
        write_settings(given["config"], paired, more)
    except PairingError as error:
        return _say(f"pair: {error}", FAILED)
    sys.stdout.write(f"{paired.place}/{paired.sensor}: written to {given['config']}\n")
    return 0


def _kind(name: str) -> Callable[[str], Any]:
    if name == "address":
        return lambda text: int(text, 0)
    if name in WHOLE:
        return int
    return float if name in NUMBERS else str


def _source(wanted: ChipSettings, open_bus: OpenBus) -> Source:
    def make(bus: Bus) -> Chip:
        return KINDS[wanted.chip].make(bus, wanted.address, time.sleep)

    return Source(lambda: open_bus(wanted.bus), make, time.sleep)


def _once(wanted: ChipSettings, open_bus: OpenBus, clock: Clock) -> int:
    source = _source(wanted, open_bus)
    bus = source.open_bus()
    try:
        chip = source.make_chip(bus)
        chip.identify()
        chip.begin()
        made = measured(chip, source.sleep)
    finally:
        bus.close()
    utc_ms = clock.now().utc_ms
    payload = encode(
        air_c=made.air_c,
        rh_pct=made.rh_pct,
        pressure_pa=made.pressure_pa,
        at=None if utc_ms is None else instant_of(utc_ms),
    )
    sys.stdout.write(payload.decode() + "\n")
    return 0


def _check(number: int, open_bus: OpenBus) -> int:
    bus = open_bus(number)
    try:
        found = look(bus, time.sleep)
    finally:
        bus.close()
    for at in found:
        kind = at.kind or "another chip"
        sys.stdout.write(f"bus {number}, address 0x{at.address:02x}: {kind}, {at.told}\n")
    if not found:
        sys.stdout.write(f"bus {number}: none of {', '.join(KINDS)} answers\n")
    clock = "is set by the network" if kernel_is_disciplined() else "is not set by anything yet"
    sys.stdout.write(f"the board's clock {clock}\n")
    return 0 if any(at.kind for at in found) else FAILED


def _say(text: str, code: int) -> int:
    sys.stderr.write(f"boothglass-node: {text}\n")
    return code


if __name__ == "__main__":
    sys.exit(main())
