"""Under which address people reach the pages."""

from __future__ import annotations

import socket

from service.settings import Settings

__all__ = ["own_address", "public_url"]


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
    return f"http://{host}:{settings.http_port}"
