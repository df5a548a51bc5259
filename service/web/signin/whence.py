"""Where a request comes from: its address, as far as a proxy on this machine tells it.

The server takes the address that ``X-Forwarded-For`` names where the request itself comes from
loopback. What comes from loopback without that header is either the machine itself or a proxy that
keeps to itself for whom it asks; what else it carries tells the two apart.
"""

from __future__ import annotations

import ipaddress
from urllib.parse import urlsplit

from starlette.requests import HTTPConnection

__all__ = ["UNSAID", "address_of", "is_of_this_machine", "is_unsaid"]

UNSAID = "?"
"""Stands for every address behind a proxy that does not say for whom it asks."""

BY_PROXIES = ("forwarded", "via", "x-forwarded-host", "x-forwarded-proto", "x-real-ip")
"""Headers that a proxy adds and nobody on the machine sends."""

PORTS = {"http": 80, "https": 443}


def address_of(connection: HTTPConnection) -> str:
    """Return the network address that a request comes from."""
    return UNSAID if is_unsaid(connection) else _peer(connection)


def is_of_this_machine(connection: HTTPConnection) -> bool:
    """Whether it comes from the machine itself, and not through a proxy on it."""
    return _is_loopback(_peer(connection)) and not is_unsaid(connection)


def is_unsaid(connection: HTTPConnection) -> bool:
    """Whether it comes through a proxy on this machine that does not say for whom."""
    if not _is_loopback(_peer(connection)) or "x-forwarded-for" in connection.headers:
        return False
    return any(name in connection.headers for name in BY_PROXIES) or not _asks_our_port(connection)


def _asks_our_port(connection: HTTPConnection) -> bool:
    """Whether the host that is asked for is at the port that the request came in by.

    A proxy has a port of its own, and hands on the host that it was asked for.
    """
    _, ours = connection.scope.get("server") or ("", None)
    try:
        asked = urlsplit(f"//{connection.headers.get('host', '')}").port
    except ValueError:
        return False
    return ours is None or (asked or PORTS.get(connection.url.scheme)) == ours


def _peer(connection: HTTPConnection) -> str:
    return "" if connection.client is None else connection.client.host


def _is_loopback(address: str) -> bool:
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False
