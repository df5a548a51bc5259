"""Tells systemd that the node is up, and that it is alive (sd_notify)."""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping

__all__ = ["tell"]


def tell(state: str, environment: Mapping[str, str] = os.environ) -> None:
    """Send ``READY=1``, ``WATCHDOG=1`` or the like; without systemd nothing happens."""
    address = environment.get("NOTIFY_SOCKET")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as there:
        try:
            there.sendto(state.encode(), address)
        except OSError:
            # Nobody listens any more: systemd ends and begins us as it sees fit.
            return
