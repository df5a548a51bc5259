"""HTTP requests to addresses that somebody typed in, kept from reaching what they must not.

A service that posts wherever it is told could be made to post into its own network. So a name is
resolved once, every address behind it is looked at, and the connection goes to one of *those*
addresses: a name that is resolved to something else a moment later gains nothing. Addresses of this
machine, of the network around it and of no single machine are refused, unless the owner has named
the host. No redirect is followed, no proxy is used, of an answer only the head is read, and all of
it has one time to be done in.
"""

from __future__ import annotations

import re
import socket
import ssl
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from urllib.parse import urlsplit

import httpcore

from service.notify.addresses import is_public
from service.notify.wires import Resolve, Wires
from service.shop.said import say

__all__ = ["NotAllowed", "Outward", "Reply", "Unreachable"]

PATIENCE_S = 10.0
"""The longest that one request may take in all (beside looking up the name)."""

MOST_URL = 2000


class NotAllowed(Exception):  # noqa: N818 -- reads as what it says
    """The address leads where this service does not go."""


class Unreachable(Exception):  # noqa: N818 -- reads as what it says
    """Nobody answered, or not in time, or not as HTTP has it."""


@dataclass(frozen=True)
class Reply:
    """The head of an answer, header names in lower case; nobody needs the rest."""

    status: int
    headers: Mapping[str, str]


class Outward:
    """Posts to the world outside.

    Parameters
    ----------
    hosts : iterable of str
        Hosts (``name`` or ``name:port``) that may be inside: the owner has named them.
    tls : SSLContext, optional
        Which certificates are believed; otherwise those that the machine believes.
    resolve : callable, optional
        Looks names up; otherwise the machine does.
    """

    def __init__(
        self,
        hosts: Iterable[str] = (),
        *,
        tls: ssl.SSLContext | None = None,
        resolve: Resolve | None = None,
        patience_s: float = PATIENCE_S,
    ) -> None:
        self._hosts = frozenset(h.strip().lower().rstrip(".") for h in hosts if h.strip())
        self._tls = tls
        self._resolve = resolve or _resolved
        self._patience_s = patience_s

    def check(self, url: object, *, plain: bool = True) -> str:
        """Return an address in the form in which it is asked for.

        Parameters
        ----------
        plain : bool
            Whether ``http`` will do, without TLS. It always does for hosts that the owner named.

        Raises
        ------
        ValueError
            Saying what is wrong with it, and nothing of what may be secret in it.
        """
        if not isinstance(url, str) or not url:
            raise ValueError(say("is needed: an address that begins with https://"))
        if len(url) > MOST_URL or not re.fullmatch(r"[!-~]+", url):
            raise ValueError(
                say(
                    "must be at most {most_url} plain characters, without spaces", most_url=MOST_URL
                )
            )
        try:
            parts = urlsplit(url)
            host, port = parts.hostname, parts.port
        except ValueError as error:
            raise ValueError(say("is no address")) from error
        if parts.scheme not in {"http", "https"} or not host:
            raise ValueError(say("must begin with https:// or http:// and name a host"))
        if parts.username is not None or parts.password is not None:
            raise ValueError(say("must not hold a user or password"))
        port = port or (443 if parts.scheme == "https" else 80)
        if not plain and parts.scheme != "https" and not self.named(host, port):
            raise ValueError(say("must begin with https://"))
        try:
            self._allowed(host, port)
        except NotAllowed as error:
            raise ValueError(str(error)) from error
        except OSError:
            pass  # no such name now; the network may be away, and sending will tell
        shown = f"[{host}]" if ":" in host else host
        usual = port == (443 if parts.scheme == "https" else 80)
        netloc = shown if usual else f"{shown}:{port}"
        return parts._replace(netloc=netloc, path=parts.path or "/", fragment="").geturl()

    def named(self, host: str, port: int | None) -> bool:
        """Whether the owner has named this host."""
        host = host.lower().rstrip(".")
        return host in self._hosts or f"{host}:{port}" in self._hosts

    def post(self, url: str, headers: Mapping[str, str], content: bytes) -> Reply:
        """Send a body and return the answer, whatever its status.

        Raises
        ------
        NotAllowed
            Where the address leads inside.
        Unreachable
            Where there was no answer.
        """
        wires = Wires(self._allowed, time.monotonic() + self._patience_s)
        parts = urlsplit(url)
        host, tls = parts.hostname, self._tls
        if tls is None and parts.scheme == "https":
            tls = ssl.create_default_context()
        try:
            with (
                httpcore.ConnectionPool(ssl_context=tls, network_backend=wires) as pool,
                pool.stream(
                    "POST",
                    url,
                    headers=[("User-Agent", "boothglass"), *headers.items()],
                    content=content,
                    extensions={"timeout": dict.fromkeys(_STEPS, self._patience_s)},
                ) as response,
            ):
                return Reply(response.status, _headers(response.headers))
        except (httpcore.TimeoutException, TimeoutError) as error:
            raise Unreachable(say("{host} did not answer in time", host=host)) from error
        except ssl.SSLError as error:
            raise Unreachable(
                say("{host} has no certificate that is believed here", host=host)
            ) from error
        except (httpcore.NetworkError, httpcore.ProtocolError, OSError) as error:
            if "CERTIFICATE_VERIFY_FAILED" in str(error):
                raise Unreachable(
                    say("{host} has no certificate that is believed here", host=host)
                ) from error
            raise Unreachable(
                say("{host} cannot be reached ({name})", host=host, name=type(error).__name__)
            ) from error

    def _allowed(self, host: str, port: int) -> Sequence[str]:
        """Return the addresses that may be connected to; raises NotAllowed or OSError."""
        found = list(dict.fromkeys(self._resolve(host, port)))
        if not found:
            raise OSError(f"{host} has no address")
        if not self.named(host, port) and (inside := [a for a in found if not is_public(a)]):
            raise NotAllowed(
                f"{host} leads to {inside[0]}, which is not out in the world; "
                "the owner can allow the host in BOOTHGLASS_WEBHOOK_HOSTS"
            )
        return found


_STEPS = ("connect", "read", "write", "pool")


def _resolved(host: str, port: int) -> Sequence[str]:
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    except UnicodeError as error:
        raise OSError("no name") from error
    return [str(sockaddr[0]) for *_, sockaddr in found]


def _headers(raw: Iterable[tuple[bytes, bytes]]) -> dict[str, str]:
    return {name.decode("ascii").lower(): value.decode("latin-1") for name, value in raw}
