"""Whatever else the Apprise library can reach: chat, text messages, other push services.

That library resolves names and connects by itself, so no address can be looked at before. Therefore
a kind of address that names a host of its own is taken only where the owner has named the host;
kinds that always go to one known service are taken as they are. What shows up on this machine
itself, or makes the library read a file of it, is not taken at all. The library tells neither why a
message did not get through nor lets an id travel with it.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Mapping
from importlib.util import find_spec
from typing import Any

from service.notify.channels.message import Later, Message, Refused
from service.notify.outward import Outward
from service.shop.said import say

__all__ = ["Apprise", "apprise_there"]

MOST_URL = 2000

LOCAL = frozenset(
    {"blink1", "dbus", "gio", "glib", "gnome", "kde", "macosx", "qt", "syslog", "windows"}
)
"""Schemes that talk to this machine."""

READS = re.compile(
    r"file|attach|template|pgp|\bhost|server|smtp|path|endpoint|gateway", re.IGNORECASE
)
"""Parameters that name a file of this machine, or a second host."""


def apprise_there() -> bool:
    """Whether the library is installed; it is an extra."""
    return find_spec("apprise") is not None


class Apprise:
    """Sends by an address as that library writes it."""

    def __init__(self, outward: Outward) -> None:
        self._outward = outward
        # It logs addresses with what is secret in them.
        logging.getLogger("apprise").setLevel(logging.CRITICAL + 1)

    def check(self, config: Mapping[str, Any]) -> dict[str, Any]:
        """Take ``url``."""
        url = str(config.get("url") or "").strip()
        try:
            self._plugin(url)
        except Refused as error:
            raise ValueError(f"url: {error}") from error
        return {"url": url}

    def send(self, config: Mapping[str, Any], message: Message) -> None:
        """Hand it to the library."""
        plugin = self._plugin(str(config["url"]))
        try:
            taken = plugin.notify(
                title=message.title,
                body=f"{message.body}\n{message.url}\n{message.seen}: {message.ack_url}",
            )
        except TypeError as error:
            raise Refused(say("the library cannot send this")) from error
        if not taken:
            raise Later(say("the service did not take it; the library does not say why"))

    def _plugin(self, url: str) -> Any:
        import apprise

        scheme, _, rest = url.partition("://")
        if not url or len(url) > MOST_URL or not url.isprintable() or " " in url:
            raise Refused(say("is needed: one address, as the Apprise library writes it"))
        named = {part.partition("=")[0] for part in re.split("[?&]", rest)[1:]}
        if scheme.lower() in LOCAL or any(READS.search(name) for name in named):
            raise Refused(say("reads from this machine or shows up on it, which is not done"))
        plugin = apprise.Apprise.instantiate(url, suppress_exceptions=True)
        if plugin is None:
            raise Refused(say("is no address that the Apprise library knows"))
        written: tuple[object, ...] = plugin.templates or ()
        if any("{host}" in str(form) for form in written):
            self._named(plugin)
        return plugin

    def _named(self, plugin: Any) -> None:
        hosts = [(getattr(plugin, "host", None), getattr(plugin, "port", None))]
        hosts += [(name, None) for name in (getattr(plugin, "smtp_host", None),) if name]
        for host, port in hosts:
            if not host or not self._outward.named(str(host), port):
                raise Refused(
                    say(
                        "goes to a host of its own, which the owner has to name in "
                        "BOOTHGLASS_WEBHOOK_HOSTS"
                    )
                )
