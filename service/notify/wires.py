"""Connections of an HTTP client that go to chosen addresses only, and end by a point in time."""

from __future__ import annotations

import ssl
import time
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import httpcore

__all__ = ["Resolve", "Wires"]

Resolve = Callable[[str, int], Sequence[str]]
"""Return the addresses of a host; raises OSError where there are none."""


class Wires(httpcore.NetworkBackend):
    """Connects to addresses that were looked at, and to nothing else, until a point in time."""

    def __init__(self, allowed: Resolve, until_s: float) -> None:
        self._allowed, self._until_s = allowed, until_s
        self._plain = httpcore.SyncBackend()

    def connect_tcp(
        self,
        host: str,
        port: int,
        timeout: float | None = None,
        local_address: str | None = None,
        socket_options: Iterable[Any] | None = None,
    ) -> httpcore.NetworkStream:
        """Connect to the first of a host's addresses that answers."""
        last: Exception = httpcore.ConnectError()
        for address in self._allowed(host, port):
            try:
                # An address, not a name: nothing is looked up again.
                wire = self._plain.connect_tcp(
                    address, port, _left(self._until_s, timeout), local_address, socket_options
                )
                return _Wire(wire, self._until_s)
            except (httpcore.ConnectError, httpcore.ConnectTimeout) as error:
                last = error
        raise last


class _Wire(httpcore.NetworkStream):
    """A connection whose every step ends by the same point in time."""

    def __init__(self, wire: httpcore.NetworkStream, until_s: float) -> None:
        self._wire, self._until_s = wire, until_s

    def read(self, max_bytes: int, timeout: float | None = None) -> bytes:
        """Read what has come."""
        return self._wire.read(max_bytes, _left(self._until_s, timeout))

    def write(self, buffer: bytes, timeout: float | None = None) -> None:
        """Write all of it."""
        self._wire.write(buffer, _left(self._until_s, timeout))

    def close(self) -> None:
        """Hang up."""
        self._wire.close()

    def start_tls(
        self,
        ssl_context: ssl.SSLContext,
        server_hostname: str | None = None,
        timeout: float | None = None,
    ) -> httpcore.NetworkStream:
        """Go on under TLS, for the name that was asked for."""
        wire = self._wire.start_tls(ssl_context, server_hostname, _left(self._until_s, timeout))
        return _Wire(wire, self._until_s)

    def get_extra_info(self, info: str) -> Any:
        """Tell something of the connection."""
        return self._wire.get_extra_info(info)


def _left(until_s: float, timeout: float | None) -> float:
    left = until_s - time.monotonic()
    if left <= 0:
        raise httpcore.ReadTimeout
    return left if timeout is None else min(left, timeout)
