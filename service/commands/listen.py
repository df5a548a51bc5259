"""``boothglass listen``: find sensors of any make on the broker, and adopt them."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Callable, Sequence

import yaml

from sensors.halves import Half
from sensors.mapping import Decoder
from sensors.proposal import Heard, ListenError, Proposal, Proposals, propose
from sensors.wire import PayloadError, Report
from service.clock import ClockError, make_clock
from service.commands.common import fail, shop_database, shop_settings
from service.intake.broker import running_address
from service.intake.listening import Listener
from service.settings import MqttAddress, Settings
from service.store.errors import StoreError
from service.store.kinds import Kinds
from service.web.words import shop_zone

__all__ = ["run"]

SHOWN = 200


def run(*, seconds: int, adopt: Sequence[int], everything: bool) -> None:
    """Listen, show what nothing reads yet and what is proposed, and adopt what is chosen."""
    settings = shop_settings()
    address, mqtt5 = _address(settings)
    try:
        clock = make_clock(settings)
        zone = getattr(shop_zone(settings), "key", None)
    except (ClockError, ValueError) as error:
        fail(str(error))
    with shop_database(settings, make=True) as database:
        kinds = Kinds(database, clock)
        heard = _listen(Listener(address, clock, mqtt5=mqtt5), seconds, kinds.reads())
        found = propose(heard, places=kinds.places(), zone=zone)
        print(_told(heard, found))
        for number in _chosen(found, adopt, everything=everything):
            _adopt(kinds, found.kinds[number - 1])


def _address(settings: Settings) -> tuple[MqttAddress, bool]:
    """Return where to listen, and whether MQTT 5 is worth asking for."""
    other = settings.other_broker()
    if other is not None:
        return other, True
    address = running_address(settings.data)
    if address is None:
        fail(
            "the embedded broker runs only while the service does: start `boothglass serve`, or "
            "set BOOTHGLASS_MQTT_URL"
        )
    return address, False


def _listen(listener: Listener, seconds: int, known: Callable[[str], bool]) -> Sequence[Heard]:
    print(f"Listening for {seconds} s (Ctrl-C ends it) ...", flush=True)
    try:
        listener.start(seconds, known)
    except ListenError as error:
        fail(str(error))
    with contextlib.suppress(KeyboardInterrupt):
        while listener.overheard().state == "listening":
            time.sleep(0.1)
    listener.stop()
    overheard = listener.overheard()
    if overheard.problem is not None:
        fail(overheard.problem)
    if overheard.beyond:
        print(f"({overheard.beyond} more topics than there is room for are left out.)")
    return overheard.topics


def _told(heard: Sequence[Heard], found: Proposals) -> str:
    if not heard:
        return "Nothing came that is not read already."
    why = {one.topic: one.why for one in found.unclear}
    lines = [f"{len(heard)} {'topic' if len(heard) == 1 else 'topics'} that nothing reads yet:"]
    for one in heard:
        said = f": {why[one.topic]}" if one.topic in why else ""
        lines.append(f"  {_printable(one.topic)} ({one.count}){said}")
        for sample in one.samples[-1:]:
            text = sample.decode("utf-8", "backslashreplace")
            lines.append(f"      {_printable(text)[:SHOWN]}")
    for number, proposal in enumerate(found.kinds, start=1):
        lines += ["", *_proposal(number, proposal, heard)]
    return "\n".join(lines)


def _proposal(number: int, proposal: Proposal, heard: Sequence[Heard]) -> list[str]:
    spec = yaml.safe_dump(proposal.mapping.spec(), allow_unicode=True, sort_keys=False)
    lines = [f"{number}. {_printable(proposal.name)} ({len(proposal.topics)} topics)"]
    lines += [f"   {line}" for line in spec.splitlines()]
    lines += [f"   reads {reading}" for reading in _readings(proposal, heard)]
    lines += [f"   ? {_printable(question)}" for question in proposal.questions]
    return lines


def _readings(proposal: Proposal, heard: Sequence[Heard]) -> list[str]:
    decoder, found = Decoder(proposal.mapping), list[str]()
    for one in heard:
        if one.topic not in proposal.topics or not one.samples:
            continue
        with contextlib.suppress(PayloadError):  # another topic of the kind may do
            for part in decoder.decode(one.topic, one.samples[-1], one.received_at):
                found.append(f"{part.place}/{part.sensor}: {_values(part)}")
    return found


def _values(part: Report | Half) -> str:
    if isinstance(part, Half):
        return f"{part.quantity} {part.value:.4g}"
    given = {"air_c": part.air_c, "rh_pct": part.rh_pct, "surface_c": part.surface_c,
             "pressure_pa": part.pressure_pa, "battery_pct": part.battery_pct}  # fmt: skip
    return ", ".join(f"{name} {value:.6g}" for name, value in given.items() if value is not None)


def _chosen(found: Proposals, adopt: Sequence[int], *, everything: bool) -> list[int]:
    count = len(found.kinds)
    if everything:
        return list(range(1, count + 1))
    if not adopt and count and sys.stdin.isatty():
        said = input("\nAdopt which (numbers with spaces between; nothing: none)? ")
        if not all(part.isdecimal() for part in said.split()):
            fail(f"adopt: {said!r} are no numbers of proposals")
        adopt = [int(part) for part in said.split()]
    for number in adopt:
        if not 1 <= number <= count:
            fail(f"--adopt: there is no proposal {number}; {count} were made")
    if not adopt and count:
        print("\nNothing adopted. To adopt: --adopt NUMBER, or --yes for all of them.")
    return list(dict.fromkeys(adopt))


def _adopt(kinds: Kinds, proposal: Proposal) -> None:
    taken = {kind.name for kind in kinds.in_use()}
    name = next(
        name
        for name in (proposal.name, *(f"{proposal.name} {n}" for n in range(2, 1000)))
        if name not in taken
    )
    try:
        kind = kinds.adopt(name, proposal.mapping.spec())
    except StoreError as error:
        fail(f"{name}: {error}")
    print(f"Adopted {kind.name} ({kind.id}): {proposal.mapping.topic}")


def _printable(text: str) -> str:
    """Keep a terminal from being written to by whoever publishes."""
    return "".join(c if c.isprintable() else " " for c in text)
