"""Records a season behind the workshop: its air, the pieces that came and went, and their flaws.

It is recorded beside the running shop, through the same use cases as everything else, with a clock
that stands at each act; so every coat, flaw and correction was made when it happened. It may be
interrupted anywhere: the next start goes on from the same instant and adds what is missing.
"""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

from sensors.feed import SENSOR
from sensors.rooms import SALTMARSH
from sensors.weather import Outdoors
from service.app import Shop
from service.demo.acts import Act, Found, Story
from service.demo.pictures import drawn
from service.demo.pieces import stories
from service.demo.plot import Plot, plot_of
from service.demo.rooms_air import SeasonAir, live_through, readings_of, spans_of
from service.demo.routine import MARIT, MATERIAL
from service.demo.workshop import HISTORY, SEED, make_places, usual_weather, zone_of
from service.store.desk import Desk
from service.store.photo_book import PhotoBook
from service.store.readings import record_batch
from service.store.sensor_book import SensorBook
from service.store.settling import settle_all
from service.store.work import Work

__all__ = ["DAYS", "Season"]

log = logging.getLogger(__name__)

DAYS = 140
SCHEDULE = "lacquer-clear"
KEPT = "season.json"

AFTER_S = 20.0
"""Real seconds after its start for which the season leaves the machine to the first pages."""

LIVED, HEARD = 0.4, 0.65
"""Parts of the work that are done when the air is simulated, and when its readings are kept."""

CHECKED, SINCE = 0.72, 0.5
"""When in the season a trusted instrument was held beside the booth's sensor, and from when on its
correction holds: the flaws of between were logged before it was known."""

INSTRUMENT_SD_PCT = 0.8


class _Then:
    """A clock that stands where it is put."""

    rate = 1.0
    driven = False

    def __init__(self, at: datetime) -> None:
        self.at = at

    def now(self) -> datetime:
        return self.at


class _Stopped(Exception):  # noqa: N818 -- no error: the shop is closing
    """The season is to be left as it is."""


class Season:
    """The season that lies behind the invented workshop.

    Parameters
    ----------
    shop : Shop
        Its places are made where they are missing.
    weather : Outdoors, optional
        By default that of the workshop.
    tell : callable, optional
        Told how much is done, 0 to 1, as it goes on.
    """

    def __init__(
        self,
        shop: Shop,
        weather: Outdoors | None = None,
        tell: Callable[[float], None] = lambda _part: None,
    ) -> None:
        self._shop, self._weather, self._tell = shop, weather, tell
        self._file = Path(shop.settings.data) / KEPT
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="season", daemon=True)

    @property
    def recorded(self) -> bool:
        """Whether all of it is there."""
        return bool(self._kept().get("recorded"))

    def start(self) -> None:
        """Record it in a thread of its own, unless it is there."""
        if not self.recorded:
            self._thread.start()

    def stop(self) -> None:
        """Leave it as it is, and wait until it has ended."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(timeout=30.0)

    def record(self) -> list[Story]:
        """Record what is missing of it, and return it."""
        shop = self._shop
        make_places(shop)
        now = self._began_at()
        utc_offset = now.astimezone(zone_of(shop)).utcoffset() or timedelta(0)
        weather = self._weather or usual_weather()
        spans = spans_of(weather, now - timedelta(days=DAYS), now - HISTORY, utc_offset)
        air = live_through(weather, spans, utc_offset, lambda part: self._done(LIVED * part))
        if not self._kept().get("heard"):
            self._hear(air)
            self._keep({"now": now.isoformat(), "heard": True})
        plot = plot_of(air, shop.catalogue.materials[MATERIAL])
        told = stories(plot, SEED)
        _Recorder(shop, plot, lambda part: self._done(HEARD + (1.0 - HEARD) * part)).record(told)
        self._keep({"now": now.isoformat(), "heard": True, "recorded": True})
        self._tell(1.0)
        return told

    def _hear(self, air: SeasonAir) -> None:
        """Keep the readings and settle them, as they go along."""
        days = (air.spans.end - air.spans.begin).days
        for number, batch in enumerate(readings_of(air, SEED)):
            with self._shop.db.write() as session:
                record_batch(session, batch)
            settle_all(self._shop.db)
            self._done(LIVED + (HEARD - LIVED) * min(1.0, 2.0 * number / days))

    def _run(self) -> None:
        if self._stop.wait(AFTER_S):
            return
        try:
            self.record()
        except _Stopped:
            return
        except Exception:
            log.exception("the season behind the invented workshop could not be recorded")

    def _done(self, part: float) -> None:
        if self._stop.is_set():
            raise _Stopped
        self._tell(part)

    def _began_at(self) -> datetime:
        """Return the instant that the season lies before; kept for a restart."""
        kept = self._kept().get("now")
        if kept is not None:
            return datetime.fromisoformat(str(kept))
        now = self._shop.clock.now()
        whole = datetime.fromtimestamp(now.timestamp() // 900 * 900, UTC)
        self._keep({"now": whole.isoformat()})
        return whole

    def _kept(self) -> dict[str, object]:
        return dict(json.loads(self._file.read_text())) if self._file.exists() else {}

    def _keep(self, what: dict[str, object]) -> None:
        draft = self._file.with_suffix(".new")
        draft.write_text(json.dumps(what))
        draft.replace(self._file)


class _Recorder:
    """Records acts in the order of time, each under a clock that stands at it."""

    def __init__(self, shop: Shop, plot: Plot, tell: Callable[[float], None]) -> None:
        self._plot, self._air, self._tell = plot, plot.air, tell
        self._clock = then = _Then(plot.air.spans.begin)
        self._db = shop.db
        self._desk = Desk(shop.db, then, shop.catalogue, shop.desk.facts)
        self._work = Work(shop.db, then, shop.catalogue, self._desk)
        self._photos = PhotoBook(shop.db, then, Path(shop.settings.data))
        self._sensors = SensorBook(shop.db, then, lambda: settle_all(shop.db))
        self._ids: dict[str, int] = {}
        self._there: set[tuple[int, str, datetime]] = set()

    def record(self, told: list[Story]) -> None:
        """Record what is not there yet."""
        known = {number: row_id for row_id, number in self._desk.shop_numbers().items()}
        for story in told:
            if story.number in known:
                row_id = self._ids[story.number] = known[story.number]
                entries = self._desk.log(row_id)
                self._there |= {(row_id, entry.kind, entry.at) for entry in entries}
        events = sorted(self._events(told), key=lambda event: event[0])
        for number, (at, act) in enumerate(events):
            self._clock.at = at
            act()
            self._tell((number + 1) / len(events))

    def _events(self, told: list[Story]) -> Iterator[tuple[datetime, Callable[[], None]]]:
        begin, span = self._air.spans.begin, self._air.spans.end - self._air.spans.begin
        checked, since = (self._plot.day(begin + part * span, 0, 9.0) for part in (CHECKED, SINCE))
        yield checked, partial(self._check, since)
        for story in told:
            yield story.came_at, partial(self._take_in, story)
            for act in story.acts:
                yield act.at, partial(self._do, story, act)
            if story.found is not None:
                yield story.found.at, partial(self._find, story, story.found)

    def _take_in(self, story: Story) -> None:
        if story.number in self._ids:
            return
        # Entered as one that is gone, so that nobody is told to go on with it.
        self._clock.at = story.gone_at
        row = self._work.add_instrument(
            shop_number=story.number,
            kind=story.kind,
            woods=story.woods,
            plate_mm=story.plate_mm,
            schedule_id=SCHEDULE,
            place_id="wood-store",
            at=story.came_at,
            gone_at=story.gone_at,
        )
        self._ids[story.number] = int(row.id or 0)

    def _do(self, story: Story, act: Act) -> None:
        row_id = self._ids[story.number]
        kinds = {"coat": "coat", "step": "step", "hang": "hung", "said": "verdict"}
        if (row_id, kinds[act.what], act.at) in self._there:
            return
        if act.what == "coat":
            self._work.record_coat(row_id, at=act.at, **act.given)
        elif act.what == "step":
            self._work.finish_step(row_id, act.key, at=act.at, **act.given)
        elif act.what == "hang":
            self._work.hang(row_id, act.key, at=act.at)
        else:
            self._work.verdicts.record(row_id, act.key, at=act.at, **act.given)

    def _find(self, story: Story, found: Found) -> None:
        row_id = self._ids[story.number]
        flaws = [f for f in self._desk.flaws(row_id) if f.seen_at == found.at]
        flaw = flaws[0] if flaws else self._work.flaws.log(
            row_id,
            kind=found.kind,
            part=found.part,
            severity=found.severity,
            seen_at=found.at,
            note=found.note,
            who=found.who,
        )  # fmt: skip
        flaw_id = int(flaw.id or 0)
        self._photos.add(flaw_id, drawn(found.kind, SEED + int(story.number)), found.who)
        if found.confirmed:
            self._work.causes.confirm(flaw_id, found.made_by, found.who)

    def _check(self, since: datetime) -> None:
        """Hold a trusted instrument beside the booth's sensor; it corrects from before on."""
        at = self._clock.at
        sensor = next(
            s for s in self._desk.sensors() if s.place_id == SALTMARSH.booth and s.name == SENSOR
        )
        if self._desk.corrections(sensor.id):
            return
        self._sensors.correct_by_instrument(
            sensor.id,
            quantity="rh_pct",
            value=round(self._air.at(SALTMARSH.booth, at).rh_pct, 1),
            sd=INSTRUMENT_SD_PCT,
            at=at,
            from_at=since,
            who=MARIT,
        )
