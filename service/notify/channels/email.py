"""E-mail by the shop's own mail server (SMTP, RFC 5321), as plain text with a small HTML part."""

from __future__ import annotations

import smtplib
import ssl
from collections.abc import Mapping
from dataclasses import dataclass, field
from email.headerregistry import Address
from email.message import EmailMessage
from email.utils import format_datetime
from html import escape
from typing import Any, Literal

from service.clock import Clock, WallClock
from service.notify.channels.message import Later, Message, Refused
from service.settings import SettingError
from service.shop.said import say

__all__ = ["Email", "MailServer", "mail_address"]

PATIENCE_S = 15.0
MOST_ADDRESS = 254
"""RFC 5321, 4.5.3.1.3: a path is at most 256 octets, with its angle brackets."""


@dataclass(frozen=True)
class MailServer:
    """Who takes our mail.

    ``tls`` is *starttls* (a connection that must become encrypted), *tls* (from the beginning) or
    *none*. A password goes over an encrypted connection only.
    """

    host: str
    sender: str
    port: int | None = None
    tls: Literal["starttls", "tls", "none"] = "starttls"
    user: str | None = None
    password: str | None = field(default=None, repr=False)

    def __post_init__(self) -> None:
        if self.user is not None and self.tls == "none":
            raise SettingError(
                "BOOTHGLASS_SMTP_TLS: a password is sent over starttls or tls only, not over none"
            )
        try:
            mail_address(self.sender)
        except ValueError as error:
            raise SettingError(f"BOOTHGLASS_SMTP_FROM: {error}") from error

    @property
    def usual_port(self) -> int:
        """The port, or the usual one (RFC 6409, RFC 8314)."""
        return self.port or {"starttls": 587, "tls": 465, "none": 25}[self.tls]


class Email:
    """Sends mail, a connection a message."""

    def __init__(
        self, server: MailServer, tls: ssl.SSLContext | None = None, clock: Clock | None = None
    ) -> None:
        self._server, self._tls = server, tls
        self._clock = clock or WallClock()

    def check(self, config: Mapping[str, Any]) -> dict[str, Any]:
        """Take ``to``, one address."""
        try:
            return {"to": mail_address(config.get("to"))}
        except ValueError as error:
            raise ValueError(f"to: {error}") from error

    def send(self, config: Mapping[str, Any], message: Message) -> None:
        """Hand the message to the mail server."""
        mail = self.mail(str(config["to"]), message)
        try:
            with self._connection() as connection:
                self._sign_in(connection)
                connection.send_message(mail)
        except smtplib.SMTPRecipientsRefused as error:
            code, said = next(iter(error.recipients.values()))
            raise _answered(code, said) from error
        except smtplib.SMTPResponseException as error:
            raise _answered(error.smtp_code, error.smtp_error) from error
        except smtplib.SMTPNotSupportedError as error:
            raise Later(
                say("the mail server does not offer what is needed (TLS, sign-in)")
            ) from error
        except ssl.SSLError as error:
            raise Later(say("the mail server has no certificate that is believed here")) from error
        except (smtplib.SMTPException, OSError) as error:
            raise Later(
                say("the mail server cannot be reached ({name})", name=type(error).__name__)
            ) from error

    def mail(self, to: str, message: Message) -> EmailMessage:
        """Return the message as mail."""
        mail = EmailMessage()
        mail["From"] = Address("Boothglass", addr_spec=self._server.sender)
        mail["To"] = to
        mail["Subject"] = " ".join(message.title.split())
        mail["Date"] = format_datetime(self._clock.now())
        # A mailbox that gets it twice knows it by this.
        mail["Message-ID"] = f"<{message.once}@{_domain(self._server.sender)}>"
        mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: no answering machine answers
        if message.urgent:
            mail["Importance"] = "high"
        mail.set_content(
            f"{message.body}\n\n{message.more}: {message.url}\n{message.seen}: {message.ack_url}\n"
        )
        mail.add_alternative(_html(message), subtype="html")
        return mail

    def _connection(self) -> smtplib.SMTP:
        server, tls = self._server, self._tls or ssl.create_default_context()
        if server.tls == "tls":
            return smtplib.SMTP_SSL(server.host, server.usual_port, timeout=PATIENCE_S, context=tls)
        connection = smtplib.SMTP(server.host, server.usual_port, timeout=PATIENCE_S)
        if server.tls == "starttls":
            try:
                connection.starttls(context=tls)
            except BaseException:
                connection.close()
                raise
        return connection

    def _sign_in(self, connection: smtplib.SMTP) -> None:
        if self._server.user is None:
            return
        try:
            connection.login(self._server.user, self._server.password or "")
        except smtplib.SMTPAuthenticationError as error:
            # A matter of the shop's settings, not of this address: mended there, it gets through.
            raise Later(
                say(
                    "the mail server does not take user and password ({smtp_code})",
                    smtp_code=error.smtp_code,
                )
            ) from error


def mail_address(text: object) -> str:
    """Return one mail address as it is kept.

    Raises
    ------
    ValueError
        Where it is none, or more than one.
    """
    if not isinstance(text, str) or not (address := text.strip()):
        raise ValueError(say("is needed: a mail address"))
    if len(address) > MOST_ADDRESS or any(c in address for c in " \t\r\n,;<>\"'()\\"):
        raise ValueError(say("must be one mail address, such as name@example.org"))
    try:
        found = Address(addr_spec=address)
    except Exception as error:
        # The parser stumbles over some of what is no address in ways of its own.
        raise ValueError(say("must be one mail address, such as name@example.org")) from error
    if not found.username or not found.domain or not address.isprintable():
        raise ValueError(say("must be one mail address, such as name@example.org"))
    return address


def _answered(code: int, said: bytes | str) -> Refused | Later:
    """Say what a mail server's answer means: 5yz never, 4yz later (RFC 5321, 4.2.1)."""
    text = said.decode("utf-8", "replace") if isinstance(said, bytes) else said
    reason = say(
        "the mail server answered {code:d} {text}", code=code, text=" ".join(text.split())[:200]
    )
    return Refused(reason) if 500 <= code < 600 else Later(reason)


def _domain(address: str) -> str:
    return address.rpartition("@")[2].encode("idna").decode("ascii")


def _html(message: Message) -> str:
    body = "<br>\n".join(escape(line) for line in message.body.splitlines())
    url, ack = escape(message.url), escape(message.ack_url)
    more, seen = escape(message.more), escape(message.seen)
    return (
        f"<!doctype html>\n<html><head><title>{escape(message.title)}</title></head><body>\n"
        f"<h1>{escape(message.title)}</h1>\n<p>{body}</p>\n"
        f'<p><a href="{url}">{more}</a></p>\n<p><a href="{ack}">{seen}</a></p>\n'
        "</body></html>\n"
    )
