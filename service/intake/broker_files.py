"""Mosquitto's files of this shop, from its settings and keys."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from service.certificates import CA_FILE, CertificateError
from service.intake.broker import service_password
from service.intake.mosquitto import Ports, write_files
from service.settings import Settings, parse_mqtt_url
from service.store.sensor_keys import BrokerKey

__all__ = ["ports_of_settings", "write_broker_files"]

TLS_PORTS = Ports(sensors=8883, service=1883)
PLAIN_PORTS = Ports(sensors=1883, service=1884)


def ports_of_settings(settings: Settings) -> Ports:
    """Return where Mosquitto is to listen: as set, else the ports registered for MQTT."""
    usual = TLS_PORTS if _speaks_tls(settings) else PLAIN_PORTS
    service, sensors = settings.other_broker(), settings.sensor_url
    return Ports(
        sensors=usual.sensors if sensors is None else parse_mqtt_url(sensors).port,
        service=usual.service if service is None else service.port,
    )


def _speaks_tls(settings: Settings) -> bool:
    return (settings.certificates_folder / CA_FILE).is_file()


def write_broker_files(
    settings: Settings, keys: Sequence[BrokerKey], folder: Path | None = None
) -> bool:
    """Write what has changed into ``folder``, or the one that is set; return whether any had.

    With certificates in their folder the sensors speak TLS.

    Raises
    ------
    CertificateError, OSError
        Where certificates or folder cannot be used.
    """
    folder = folder or settings.broker_files
    if folder is None:
        return False
    try:
        return write_files(
            folder,
            keys,
            service_password(settings.data),
            ports_of_settings(settings),
            settings.certificates_folder if _speaks_tls(settings) else None,
        )
    except FileNotFoundError as error:
        raise CertificateError(f"{error.filename}: is missing") from error
