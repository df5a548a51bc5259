"""Under which address people reach the pages."""

from __future__ import annotations

import socket
from urllib.parse import urlencode, urlsplit

from service.settings import MqttAddress, Settings
from service.store.tables import Notice

__all__ = ["own_address", "page_of", "public_url", "sensor_url", "shop_url"]

LOOPBACK = frozenset({"127.0.0.1", "localhost", "::1"})


def own_address() -> str:
    """Return the address other devices reach this machine at; nothing is sent to find it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # a documentation address: only the route is asked
            return str(probe.getsockname()[0])
        except OSError:
            return socket.gethostname()


def public_url(settings: Settings) -> str:
    """Return where links in messages lead, without a slash at the end.

    As set; else this machine on its own network, as far as it can be reached from there.
    """
    if settings.public_url is not None:
        return settings.public_url.rstrip("/")
    host = own_address() if settings.lan else "127.0.0.1"
    return f"http{'s' if settings.web_tls else ''}://{host}:{settings.http_port}"


def shop_url(settings: Settings, shop: str) -> str:
    """Return where the pages of one shop among many are, without a slash at the end."""
    reached = urlsplit(public_url(settings))
    port = f":{reached.port}" if reached.port else ""
    return f"{reached.scheme}://{shop}.{settings.shops_domain}{port}"


def sensor_url(settings: Settings, broker: MqttAddress, reached_as: str | None = None) -> str:
    """Return where sensors find the broker: scheme, host and port, without anybody's password.

    Parameters
    ----------
    broker : MqttAddress
        Where the service finds it.
    reached_as : str, optional
        The name under which the asking device has reached this machine.
    """
    if settings.sensor_url is not None:
        return settings.sensor_url.rstrip("/")
    embedded = settings.mqtt_url is None
    on_network = settings.lan or not embedded
    host = broker.host
    if host in LOOPBACK and on_network:
        host = own_address() if reached_as is None or reached_as in LOOPBACK else reached_as
    if embedded and settings.mqtt_tls:
        return f"mqtts://{host}:{settings.mqtt_tls_port}"
    return f"mqtt{'s' if broker.tls else ''}://{host}:{broker.port}"


def page_of(notice: Notice) -> str | None:
    """Return the path of the page on which most can be done about a notice, if there is one."""
    if notice.instrument_id is not None:
        return f"/instruments/{notice.instrument_id}"
    if notice.kind == "sensor-check-due" and notice.data.get("sensor"):
        return f"/sensors/{notice.data['sensor']}"
    if notice.kind == "window-opening" and notice.data.get("material"):
        asked = {"place": notice.place_id, "material": notice.data["material"]}
        return f"/?{urlencode(asked)}"
    return None if notice.place_id is None else f"/air/{notice.place_id}"
