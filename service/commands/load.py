"""``boothglass load``: plays many shops with many sensors at a running installation."""

from __future__ import annotations

import json
import sys

from service.load import Load, LoadError, play
from service.settings import parse_mqtt_url

__all__ = ["run"]


def run(
    *,
    shops: int,
    sensors: int,
    every: float,
    seconds: float,
    broker: str,
    pages: str,
    words: str,
    domain: str | None,
    token: str | None,
    as_json: bool,
) -> None:
    """Play and print; ends with status 2 where the installation does not answer."""
    named = [words.format(n) for n in range(1, shops + 1)] if domain is not None else [""]
    if domain is None and shops != 1:
        _fail("--shops: more than one need --domain, and shops of these words")
    load = Load(named, sensors, every, seconds)

    def tell(part: float) -> None:
        if not as_json and sys.stderr.isatty():
            print(f"\r{100 * part:.0f} %", end="", file=sys.stderr, flush=True)

    try:
        address = parse_mqtt_url(broker, "--broker")
        found = play(load, address, pages, token=token, domain=domain, tell=tell)
    except (LoadError, ValueError) as error:
        _fail(str(error))
    if as_json:
        print(json.dumps(found.as_data()))
        return
    print(f"\r{found.shops} shops, {found.sensors} sensors each, {found.seconds:.0f} s")
    print(f"  {found.acknowledged} readings acknowledged by the broker, {found.per_s:.0f} a second")
    if found.latencies_s:
        figures = [1000 * (found.quantile_s(q) or 0.0) for q in (0.5, 0.95, 1.0)]
        print(
            "  from publish to the changed spray check on an open page: median {:.0f} ms, "
            "95 % within {:.0f} ms, longest {:.0f} ms".format(*figures)
        )
    if found.unanswered:
        print(f"  {found.unanswered} readings were not answered within a minute")


def _fail(reason: str) -> None:
    print(f"boothglass: {reason}", file=sys.stderr)
    raise SystemExit(2)
