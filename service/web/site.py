"""The web application: API, pages, assets and what guards them, made from the rooms it asks."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from contextlib import AbstractAsyncContextManager
from importlib import metadata

from fastapi import FastAPI
from starlette.middleware.gzip import GZipMiddleware

from service.clock import Clock, WallClock
from service.settings import Settings
from service.store.desk import Desk
from service.store.kinds import Kinds
from service.store.salt_book import SaltBook
from service.store.sensor_book import SensorBook
from service.store.sensor_keys import SensorKeys
from service.store.shop_settings import SettingsBook
from service.store.work import Work
from service.web import api, pages, problems, watching
from service.web.assets import LongLived, find_dashboards
from service.web.deps import Health, Listener, Shop, Telling
from service.web.guard import BodyLimit, Faults, SafeHeaders, SameOrigin
from service.web.live import Hub
from service.web.metrics import Figure, Metrics, RequestTimes
from service.web.pages.render import Studio, renderer_of
from service.web.sensor_door import SensorDoor
from service.web.signin import access, again, entering, mine, passkeys, trail, welcome
from service.web.signin.doors import Doors
from service.web.signin.gate import Gate

__all__ = ["create_web"]

DESCRIPTION = """Reads the air of a shop's places, answers whether to spray, and keeps instruments,
coats and notices. Instants are ISO 8601 in UTC; every figure carries its unit in its name; what is
not known is null. Errors are problem details (RFC 9457)."""


def create_web(
    *,
    desk: Desk,
    work: Work,
    sensors: SensorBook,
    salt_checks: SaltBook,
    kinds: Kinds,
    kinds_changed: Callable[[], None],
    listener: Listener,
    telling: Telling,
    clock: Clock,
    settings: Settings,
    book: SettingsBook,
    hub: Hub,
    health: Health,
    figures: Callable[[], Iterable[Figure]] = tuple,
    real_clock: Clock | None = None,
    sensor_door: SensorDoor | None = None,
    lifespan: Callable[[FastAPI], AbstractAsyncContextManager[None]] | None = None,
) -> FastAPI:
    """Make the application.

    Parameters
    ----------
    desk, work : Desk, Work
        Who answers, and who writes.
    sensors, salt_checks : SensorBook, SaltBook
        Who writes what is decided of sensors.
    kinds, kinds_changed : Kinds, callable
        Sensor kinds of foreign make, and who is told that they have changed.
    listener : Listener
        Who listens to the broker to find such sensors.
    telling : Telling
        The people who are told things, and how.
    clock : Clock
        The shop's time.
    settings, book : Settings, SettingsBook
        What was set from outside, and what is in force.
    hub : Hub
        The live stream's hub; intake and jobs publish to it too.
    health : callable
        Returns ``status`` (ok, degraded, failing), ``reasons`` and whatever else is known.
    figures : callable, optional
        Returns what is counted and measured of the service, for ``/metrics``.
    real_clock : Clock, optional
        The machine's time, by which sessions last; unset: asked of the machine.
    sensor_door : SensorDoor, optional
        How sensors are let in; unset: their keys alone, with no broker that asks for them.
    lifespan : callable, optional
        Started and stopped with the server.

    Raises
    ------
    ValueError
        Naming ``BOOTHGLASS_ZONE`` where it is no zone.
    FileNotFoundError
        Where the templates are missing.
    """
    app = FastAPI(
        title="Boothglass",
        version=_version(),
        description=DESCRIPTION,
        # The interactive pages would fetch script from elsewhere.
        docs_url=None,
        redoc_url=None,
        lifespan=lifespan,
    )
    dashboards = find_dashboards()
    doors = Doors(desk.db, real_clock or WallClock(), clock, on=settings.sign_in == "on")
    shop = Shop(
        desk,
        work,
        sensors,
        salt_checks,
        kinds,
        kinds_changed,
        listener,
        clock,
        settings,
        hub,
        health,
        dashboards,
        telling,
        book,
        doors,
        sensor_door or SensorDoor(SensorKeys(desk.db, clock, doors.clock)),
    )
    app.state.shop, app.state.studio = shop, Studio(shop)
    app.state.metrics = metrics = Metrics(figures)
    app.include_router(api.router)
    app.include_router(pages.router, include_in_schema=False)
    app.include_router(watching.router, include_in_schema=False)
    for part in (entering, again, welcome, mine, passkeys, access, trail):
        app.include_router(part.router, include_in_schema=False)
    for address, folder in (("/assets", dashboards.dist), ("/icons", dashboards.icons)):
        if folder.is_dir():
            app.mount(address, LongLived(directory=folder))
    problems.install(app, lambda request, *said: renderer_of(request).problem(request, *said))
    problems.describe(app)
    # The live stream and pictures are left as they are.
    app.add_middleware(GZipMiddleware, minimum_size=800, compresslevel=6)
    # The last one added is the first that a request meets.
    app.add_middleware(Gate, doors=doors)
    app.add_middleware(BodyLimit)
    app.add_middleware(SameOrigin, public_url=settings.public_url)
    app.add_middleware(Faults)
    app.add_middleware(SafeHeaders)
    app.add_middleware(RequestTimes, metrics=metrics)
    return app


def _version() -> str:
    try:
        return metadata.version("boothglass")
    except metadata.PackageNotFoundError:  # run from the source tree, not installed
        return "0"
