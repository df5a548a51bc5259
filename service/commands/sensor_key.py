"""A sensor's key by the command line: for devices that are set up without a page."""

from __future__ import annotations

from collections.abc import Sequence

from service.clock import ClockError, make_clock
from service.commands.common import fail, shop_database, shop_settings
from service.store.sensor_keys import SensorKeys, Wanted

__all__ = ["run"]


def run(place: str, sensor: str, topics: Sequence[str], reads: Sequence[str], *, end: bool) -> None:
    """Make a key and show it, or end one; the service that runs takes note within seconds."""
    settings = shop_settings()
    try:
        clock = make_clock(settings)
    except ClockError as error:
        fail(str(error))
    with shop_database(settings, make=True) as database:
        keys = SensorKeys(database, clock)
        if end:
            user = f"{place}.{sensor}" if place else sensor
            keys.end(user)
            print(f"{user} is let in no more.")
            return
        made = keys.make(Wanted(place, sensor, tuple(topics), tuple(reads)))
    print(f"user      {made.user}")
    print(f"password  {made.secret}")
    for topic in made.topics:
        print(f"topic     {topic}")
    for topic in reads:
        print(f"reads     {topic}")
    print("The password is shown this once, and kept hashed.")
