"""What has to be set so that workers can run, and a worker made of it."""

from __future__ import annotations

from service.settings import SettingError, Settings
from service.store.db import Database, database_url
from service.worker.houses import Houses, OneHouse
from service.worker.worker import Worker

__all__ = ["check_for_workers", "make_worker"]


def check_for_workers(settings: Settings) -> None:
    """Say what is missing.

    Raises
    ------
    SettingError
        Naming the setting, and what to do.
    """
    if settings.database_url is None:
        raise SettingError(
            "BOOTHGLASS_DATABASE_URL: is not set; several workers need PostgreSQL, "
            "for one process leave BOOTHGLASS_WORKERS out"
        )
    if settings.mqtt_url is None:
        raise SettingError(
            "BOOTHGLASS_MQTT_URL: is not set; several workers need a broker of its own that speaks "
            "MQTT 5, such as Mosquitto"
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
    url = database_url(settings.data, settings.database_url)
    houses: Houses = OneHouse(settings, Database(url))
    address = settings.other_broker()
    if address is None:
        raise SettingError("BOOTHGLASS_MQTT_URL: is not set")
    return Worker(settings, houses, url, address)
