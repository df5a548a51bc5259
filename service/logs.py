"""The log: one line an event on standard error, as text or as JSON, without secrets."""

from __future__ import annotations

import json
import logging
import re
import sys
from collections.abc import Iterable
from urllib.parse import quote, quote_plus, unquote, urlsplit

from pythonjsonlogger.json import JsonFormatter

from service.settings import Settings

__all__ = ["Quiet", "formatter", "secrets_of", "set_up"]

TEXT = "%(asctime)s %(levelname)s %(name)s %(message)s"

HIDDEN = "***"
IN_ADDRESS = re.compile(r"(?<=://)([^\s:/@]*):[^\s@/]+@")
"""User and password in an address."""
IN_PATH = re.compile(r"(/(?:n|calendar|welcome)/)[\w-]{12,}")
"""Addresses that let in whoever knows them."""


class Quiet(logging.Formatter):
    """Takes secrets out of whatever another formatter makes, tracebacks included.

    Parameters
    ----------
    inner : logging.Formatter
        Makes the line.
    secrets : iterable of str
        Words that must not be in it, besides passwords in addresses.
    """

    def __init__(self, inner: logging.Formatter, secrets: Iterable[str]) -> None:
        super().__init__()
        forms = {form for secret in secrets for form in _forms(secret)}
        longest_first = sorted(forms, key=len, reverse=True)
        self._inner = inner
        self._secret = re.compile("|".join(map(re.escape, longest_first)) or r"(?!)")

    def format(self, record: logging.LogRecord) -> str:
        """Return the line."""
        line = IN_ADDRESS.sub(rf"\1:{HIDDEN}@", self._inner.format(record))
        return self._secret.sub(HIDDEN, IN_PATH.sub(rf"\1{HIDDEN}", line))


def set_up(settings: Settings) -> None:
    """Let the whole process log as is set; what libraries log goes the same way."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(formatter(settings))
    logging.basicConfig(level=settings.log_level.upper(), handlers=[handler], force=True)
    if settings.log_level != "debug":
        # They tell of every connection and every job.
        for talkative in ("amqtt", "apscheduler", "transitions", "httpcore"):
            logging.getLogger(talkative).setLevel(logging.WARNING)


def formatter(settings: Settings) -> logging.Formatter:
    """Return the formatter that is set."""
    if settings.log_format == "json":
        inner: logging.Formatter = JsonFormatter(
            ["asctime", "levelname", "name", "message"],
            rename_fields={"asctime": "at", "levelname": "level", "name": "logger"},
            datefmt="%Y-%m-%dT%H:%M:%S%z",
            json_ensure_ascii=False,
        )
    else:
        inner = logging.Formatter(TEXT)
    return Quiet(inner, secrets_of(settings))


def secrets_of(settings: Settings) -> list[str]:
    """Passwords that the settings hold."""
    found = [urlsplit(url).password for url in (settings.database_url, settings.mqtt_url) if url]
    kept = (settings.smtp_password, settings.shops_secret)
    found += [secret.get_secret_value() for secret in kept if secret is not None]
    return [unquote(secret) for secret in found if secret]


def _forms(secret: str) -> set[str]:
    """How a secret may look in a line: plain, in an address, and in JSON."""
    plain = {secret, quote(secret, safe=""), quote_plus(secret)}
    return plain | {json.dumps(form, ensure_ascii=False)[1:-1] for form in plain}
