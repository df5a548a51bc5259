"""Saltmarsh Strings: an invented two-bench shop near a river mouth, with five pieces under way.

Seeded once into an empty shop, through the same use cases that a person's taps go through; its air
comes from a simulated booth, which goes on to publish over real MQTT.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo

from sensors.booth import OUTDOORS, Booth
from sensors.feed import SENSOR, Feed, probes, report
from sensors.payloads import decode, topic_of
from sensors.publish import Broker
from sensors.rooms import SALTMARSH
from sensors.weather import DampSpring, Hour, Outdoors, WeatherError, WeatherFile, read_weather
from service.app import Shop
from service.intake.broker import SENSOR_USER
from service.intake.check import checked
from service.store.readings import NewReading, record_batch
from service.store.settling import settle_all

__all__ = [
    "HISTORY",
    "PIECES",
    "SEED",
    "Spring",
    "begin",
    "make_places",
    "usual_weather",
    "worked_back",
    "zone_of",
]

SEED = 41

HISTORY = timedelta(days=6)
WARM_UP = timedelta(hours=12)
EVERY_S, EARLIER_EVERY_S = 300.0, 600.0
"""Between the readings of the last day and a half that are filled in, and of those before."""

FINE_FOR = timedelta(hours=36)

OPEN_WEATHER = "pvlib:723170TYA"
"""A year of open hourly weather that a registry package carries; used where it is installed."""

PLACES = (
    # id, name, kind, volume in m³
    ("booth", "Booth", "booth", 22.0),
    ("rack", "Drying rack", "rack", 60.0),
    ("wood-store", "Wood store", "store", 30.0),
    (OUTDOORS, "Outdoors", "outdoors", None),
)


@dataclass(frozen=True)
class Act:
    """Something done on a piece, so many hours of work ago.

    ``what`` is a step's key to finish, ``coat`` for a coat of the open step, ``flaw``, or a
    place to hang it in.
    """

    ago_h: float
    what: str
    passes: int | None = None
    note: str = ""


@dataclass(frozen=True)
class Work:
    """A piece under way."""

    number: str
    kind: str
    woods: str
    plate_mm: float
    schedule: str
    place: str
    acts: tuple[Act, ...]


def _coats(*ago_h: float) -> tuple[Act, ...]:
    return tuple(Act(ago, "coat") for ago in ago_h)


PIECES = (
    Work(
        "41",
        "Tenor ukulele",
        "mahogany",
        2.2,
        "lacquer-clear",
        "booth",
        (
            *(Act(22.0, "coat"), Act(20.8, "scuff"), Act(20.5, "mask")),
            *_coats(18.6, 17.4, 16.1, 8.0, 6.7, 3.4),
            Act(0.5, "coat", passes=2),
        ),
    ),
    Work(
        "42",
        "Octave mandolin",
        "spruce and maple",
        4.0,
        "lacquer-shaded-edge",
        "booth",
        (
            *(Act(13.0, "coat"), Act(11.8, "scuff"), Act(11.2, "mask")),
            *_coats(9.6, 8.4),
            Act(1.6, "coat", passes=1, note="dark edge, from 40 cm"),
            Act(1.3, "rack"),
        ),
    ),
    Work(
        "43",
        "Mountain dulcimer",
        "walnut",
        3.0,
        "lacquer-clear",
        "booth",
        (
            *(Act(50.0, "coat"), Act(48.9, "scuff"), Act(48.5, "mask")),
            *_coats(46.6, 45.3, 44.0, 42.2, 40.8, 38.4, 37.1, 35.9, 34.0, 32.5),
            Act(31.8, "rack"),
            Act(21.0, "flaw", note="A felt mark where it leant against the rail."),
        ),
    ),
    Work(
        "44",
        "Parlour guitar",
        "spruce and walnut",
        2.8,
        "lacquer-clear",
        "booth",
        (Act(0.35, "coat"), Act(0.15, "rack")),
    ),
    Work(
        "45",
        "Cittern, top repair",
        "spruce",
        3.0,
        "lacquer-touch-up",
        "rack",
        (Act(2.2, "repair"),),
    ),
)


@dataclass(frozen=True)
class Spring:
    """April to June of a weather year, over and over, whatever the date."""

    year: WeatherFile
    first_hour: int = 90 * 24
    days: int = 91

    def at(self, instant: datetime) -> Hour:
        """Return the air at an instant."""
        into = timedelta(seconds=instant.timestamp() % (self.days * 86_400))
        first = self.year.hours[self.first_hour].at
        return replace(self.year.at(first + into), at=instant)


def begin(shop: Shop, weather: Outdoors | None = None) -> Feed:
    """Seed the shop where it is new, bring its air up to now, and start the simulated booth.

    Parameters
    ----------
    shop : Shop
        Made, and not started yet.
    weather : Outdoors, optional
        By default the open weather where it is installed, else an invented damp spring.

    Returns
    -------
    Feed
        Running; ends with the process or by its ``stop``.
    """
    make_places(shop)
    booth = _bring_air_up_to_now(shop, weather or usual_weather())
    for piece in PIECES:
        _take_in(shop, piece)
    feed = Feed(
        booth,
        SEED,
        _sensor_login(shop),
        now=shop.clock.now,
        rate=lambda: shop.clock.rate,
    )
    feed.start()
    return feed


def make_places(shop: Shop) -> None:
    """Make the places that are not there yet."""
    known = {view.id for view in shop.desk.places()}
    for place_id, name, kind, volume_m3 in PLACES:
        if place_id not in known:
            shop.work.add_place(place_id, name, kind, volume_m3)


def usual_weather() -> Outdoors:
    """Return the open weather where it is installed, else an invented damp spring."""
    try:
        return Spring(read_weather(OPEN_WEATHER))
    except WeatherError:
        return DampSpring(SEED)


def _bring_air_up_to_now(shop: Shop, weather: Outdoors) -> Booth:
    """Fill in what the simulated probes would have seen since the last reading, days at most."""
    now = shop.clock.now()
    heard = [view.last_at for view in shop.desk.sensors() if view.place_id == SALTMARSH.booth]
    last = max((at for at in heard if at is not None), default=None)
    begun = now - HISTORY if last is None else min(max(last, now - HISTORY), now)
    offset = now.astimezone(zone_of(shop)).utcoffset() or timedelta(0)
    rooms = replace(SALTMARSH, utc_offset_h=offset / timedelta(hours=1))
    booth = Booth(rooms, weather, begun - WARM_UP)
    booth.step(WARM_UP.total_seconds(), part_s=EARLIER_EVERY_S)
    own = probes(booth.air(), SEED)
    batch: list[NewReading] = []
    while booth.at < now:
        every_s = EVERY_S if now - booth.at < FINE_FOR else EARLIER_EVERY_S
        step_s = min(every_s, (now - booth.at).total_seconds())
        for place, air in booth.step(step_s, part_s=every_s).items():
            payload = report(place, own[place], air, booth.at)
            reports = decode(topic_of(place, SENSOR), payload, booth.at)
            batch += [checked(said, now=said.at) for said in reports]
    with shop.db.write() as session:
        record_batch(session, batch)
    settle_all(shop.db)
    return booth


def _take_in(shop: Shop, piece: Work) -> None:
    """Record a piece and what was done on it, unless its number is there already."""
    if piece.number in {card.shop_number for card in shop.desk.cards()}:
        return
    now, zone = shop.clock.now(), zone_of(shop)
    first = worked_back(now, max(act.ago_h for act in piece.acts) + 0.5, zone)
    row = shop.work.add_instrument(
        shop_number=piece.number,
        kind=piece.kind,
        woods=piece.woods,
        plate_mm=piece.plate_mm,
        schedule_id=piece.schedule,
        place_id=piece.place,
        at=first,
    )
    instrument_id = int(row.id or 0)
    places = {place_id for place_id, *_ in PLACES}
    for act in sorted(piece.acts, key=lambda act: -act.ago_h):
        at = worked_back(now, act.ago_h, zone)
        if act.what == "coat":
            shop.work.record_coat(instrument_id, passes=act.passes, at=at, note=act.note)
        elif act.what == "flaw":
            shop.work.flaws.log(
                instrument_id, kind="printing", part="back", severity=1, seen_at=at, note=act.note
            )
        elif act.what in places:
            shop.work.hang(instrument_id, act.what, at=at)
        else:
            shop.work.finish_step(instrument_id, act.what, at=at, note=act.note)


def worked_back(now: datetime, hours: float, zone: tzinfo | None) -> datetime:
    """Return the instant so many hours of the shop's working day before ``now``.

    At night it counts from the end of the last working day.
    """
    left = timedelta(hours=hours)
    day = now.astimezone(zone)
    end = day
    while True:
        midnight = day.replace(hour=0, minute=0, second=0, microsecond=0)
        opens = midnight + timedelta(hours=SALTMARSH.day_from_h)
        end = min(end, midnight + timedelta(hours=SALTMARSH.day_until_h))
        if end > opens:
            if end - opens >= left:
                return (end - left).astimezone(now.tzinfo)
            left -= end - opens
        day = midnight - timedelta(hours=1)
        end = midnight


def zone_of(shop: Shop) -> tzinfo | None:
    """Return the shop's zone; None: the machine's."""
    return ZoneInfo(shop.settings.zone) if shop.settings.zone else None


def _sensor_login(shop: Shop) -> Broker:
    address = shop.address
    if shop.broker is not None:
        return Broker("127.0.0.1", address.port, SENSOR_USER, shop.broker.sensor_password)
    return Broker(address.host, address.port, address.user, address.password, address.tls)
