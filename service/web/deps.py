"""What every route is given: the rooms it may ask, gathered once by ``create_web``."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Annotated, Any, Protocol, cast

from fastapi import Depends, Request

from sensors.proposal import ListenError, Overheard
from service.clock import Clock
from service.settings import Settings
from service.store.desk import Desk
from service.store.kinds import Kinds
from service.store.outbox import Outbox
from service.store.people_book import PeopleBook
from service.store.photo_book import PhotoBook
from service.store.planning import Planner
from service.store.salt_book import SaltBook
from service.store.sensor_book import SensorBook
from service.store.shop_settings import SettingsBook
from service.store.tap_book import TapBook
from service.store.work import Work
from service.web.assets import Dashboards
from service.web.live import Hub
from service.web.sensor_door import SensorDoor
from service.web.signin.doors import Doors
from service.web.views import Views

__all__ = [
    "Health",
    "ListenError",
    "Listener",
    "Post",
    "Shop",
    "ShopDep",
    "Telling",
    "shop_of",
]

Health = Callable[[], dict[str, Any]]
"""Says how the service is: ``status`` (ok, degraded or failing), ``reasons`` and counters."""


class Listener(Protocol):
    """Who listens to everything the broker carries, when asked to."""

    def start(self, seconds: int, known: Callable[[str], bool]) -> None:
        """Begin; raises ListenError where a round is under way."""

    def overheard(self) -> Overheard:
        """Say how far it has come, and what was heard."""


class Post(Protocol):
    """Who knows the kinds of channels and sends by them."""

    @property
    def kinds(self) -> Sequence[str]:
        """Kinds of channels that can be used here."""

    def check(self, kind: str, config: Mapping[str, Any]) -> dict[str, Any]:
        """Return a configuration as it is kept; raises ValueError ``field: reason``."""

    def try_out(self, person_id: int, channel_id: int) -> str | None:
        """Send a test now; return what went wrong."""


@dataclass(frozen=True)
class Telling:
    """The people who are told things, the messages to them, and who sends these."""

    people: PeopleBook
    outbox: Outbox
    post: Post


@dataclass(frozen=True)
class Shop:
    """The desk answers, the work room writes, the hub tells open pages."""

    desk: Desk
    work: Work
    sensors: SensorBook
    salt_checks: SaltBook
    kinds: Kinds
    kinds_changed: Callable[[], None]
    listener: Listener
    clock: Clock
    settings: Settings
    hub: Hub
    health: Health
    dashboards: Dashboards
    telling: Telling
    book: SettingsBook
    doors: Doors
    sensor_door: SensorDoor
    views: Views = field(default_factory=Views)
    """The first pages that were asked for lately."""

    @cached_property
    def planner(self) -> Planner:
        """Makes the plan, in the shop's zone."""
        made = Planner(self.desk.db, self.clock, self.desk, self.book.now.tz)
        self.book.on_change(lambda now: setattr(made, "zone", now.tz))
        return made

    @cached_property
    def taps(self) -> TapBook:
        """Knows which taps were recorded."""
        return TapBook(self.desk.db, self.clock)

    @cached_property
    def photos(self) -> PhotoBook:
        """Keeps the photos of flaws in the data folder."""
        return PhotoBook(self.desk.db, self.clock, self.settings.data)

    def moved(self, instrument_id: int) -> None:
        """Tell open pages that a planned move was made, and what was told of it seen."""
        self.worked(instrument_id)
        self.hub.publish("notice", {"moved": instrument_id})

    def worked(self, instrument_id: int) -> None:
        """Tell open pages that an instrument's record changed."""
        self.hub.publish("work", {"instrument": instrument_id})


def shop_of(request: Request) -> Shop:
    """Return the shop that this app was made for."""
    return cast("Shop", request.app.state.shop)


ShopDep = Annotated[Shop, Depends(shop_of)]
