"""What has to be set so that workers can run, and a worker made of it."""

from __future__ import annotations

from service.settings import SettingError, Settings
from service.store.db import Database, database_url
from service.store.hosting import shops_of
from service.store.shops import Shops
from service.worker.houses import Houses, ManyHouses, OneHouse
from service.worker.worker import Worker

__all__ = ["check_for_workers", "make_worker", "shops_of_host"]


def check_for_workers(settings: Settings) -> None:
    """Say what is missing.

    Raises
    ------
    SettingError
        Naming the setting, and what to do.
    """
    if settings.database_url is None and (settings.workers or 1) > 1:
        raise SettingError(
            "BOOTHGLASS_DATABASE_URL: is not set; several workers need PostgreSQL, "
            "for one process leave BOOTHGLASS_WORKERS out"
        )
    if settings.mqtt_url is None:
        raise SettingError(
            "BOOTHGLASS_MQTT_URL: is not set; several workers, and many shops, need a broker that "
            "runs by itself and speaks MQTT 5, such as Mosquitto"
        )
    if settings.web_tls:
        raise SettingError(
            "BOOTHGLASS_WEB_TLS: workers leave TLS to the proxy before them; take it out"
        )


def make_worker(settings: Settings) -> Worker:
    """Make a worker; tables have to be of this version by then.

    Raises
    ------
    SettingError
        Where something is not set that workers need.
    """
    check_for_workers(settings)
    houses: Houses
    if settings.shops_domain is None:
        url = database_url(settings.data, settings.database_url)
        houses = OneHouse(settings, Database(url))
    else:
        houses = ManyHouses(settings, shops_of_host(settings))
    address = settings.other_broker()
    if address is None:
        raise SettingError("BOOTHGLASS_MQTT_URL: is not set")
    return Worker(settings, houses, settings.database_url, address)


def shops_of_host(settings: Settings) -> Shops:
    """Return the shops of an installation of many; raises DatabaseError where that cannot be."""
    secret = settings.shops_secret
    return shops_of(
        settings.data,
        settings.database_url,
        None if secret is None else secret.get_secret_value(),
    )
