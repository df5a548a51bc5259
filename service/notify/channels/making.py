"""The senders that this shop's settings allow."""

from __future__ import annotations

import ssl
from collections.abc import Callable

from service.notify.channels.apprise import Apprise, apprise_there
from service.notify.channels.email import Email, MailServer
from service.notify.channels.message import Sender
from service.notify.channels.mqtt import Mqtt
from service.notify.channels.webhook import Webhook
from service.notify.channels.webpush import WebPush
from service.notify.outward import Outward
from service.notify.vapid import Keeper, Vapid
from service.settings import SettingError, Settings

__all__ = ["mail_server", "make_senders", "make_vapid"]


def make_senders(
    settings: Settings,
    facts: Keeper,
    publish: Callable[[str, str], bool],
    tls: ssl.SSLContext | None = None,
) -> dict[str, Sender]:
    """Return a sender for each kind of channel that can be used here.

    Parameters
    ----------
    facts : Keeper
        Keeps the key pair by which push services know this shop.
    publish : callable
        Publishes a text under a topic and returns whether the broker has taken it.
    tls : SSLContext, optional
        Which certificates are believed; otherwise those that the machine believes.

    Raises
    ------
    SettingError
        Naming the setting that cannot be.
    """
    outward = Outward(settings.webhook_hosts.split(","), tls=tls)
    senders: dict[str, Sender] = {
        "webpush": WebPush(outward, make_vapid(settings, facts)),
        "webhook": Webhook(outward),
        "mqtt": Mqtt(publish),
    }
    server = mail_server(settings)
    if server is not None:
        senders["email"] = Email(server, tls)
    if apprise_there():
        senders["apprise"] = Apprise(outward)
    return senders


def make_vapid(settings: Settings, facts: Keeper) -> Vapid:
    """Return who signs for push services, with the owner's address where one is known."""
    server = mail_server(settings)
    contact = settings.contact or (f"mailto:{server.sender}" if server else None)
    return Vapid(facts, contact)


def mail_server(settings: Settings) -> MailServer | None:
    """Return the mail server of the settings, if one is set.

    Raises
    ------
    SettingError
        Naming the setting that cannot be.
    """
    if settings.smtp_host is None:
        return None
    sender = settings.smtp_from or settings.smtp_user
    if sender is None:
        raise SettingError("BOOTHGLASS_SMTP_FROM: is needed where BOOTHGLASS_SMTP_HOST is set")
    password = settings.smtp_password
    return MailServer(
        host=settings.smtp_host,
        sender=sender,
        port=settings.smtp_port,
        tls=settings.smtp_tls,
        user=settings.smtp_user,
        password=None if password is None else password.get_secret_value(),
    )
