"""What an answer over HTTP means for a message: taken, refused for good, or to be tried again."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime

from service.notify.channels.message import Later, Refused
from service.notify.outward import NotAllowed, Reply, Unreachable
from service.shop.said import say

__all__ = ["delivered"]

LONGEST_WAIT = timedelta(hours=24)

PASSING = frozenset({408, 425, 429})
"""Requests that came too slowly, too early or too often: nothing is wrong with the address."""


def delivered(post: Callable[[], Reply], now: datetime) -> Reply:
    """Post, and return the answer where the message was taken.

    Parameters
    ----------
    now : datetime
        By the wall's clock, for an answer that says until when to wait.

    Raises
    ------
    Refused
        For an address that leads inside, and for 3xx and 4xx.
    Later
        Where nobody answered, and for 5xx, 408, 425 and 429, with the answer's ``Retry-After``.
    """
    try:
        reply = post()
    except NotAllowed as error:
        raise Refused(str(error)) from error
    except Unreachable as error:
        raise Later(str(error)) from error
    status = reply.status
    if 200 <= status < 300:
        return reply
    if status >= 500 or status in PASSING:
        raise Later(say("answered with status {status}", status=status), _wait(reply, now))
    if 300 <= status < 400:
        raise Refused(
            say("answered with a redirect ({status}), which is not followed", status=status)
        )
    if status in {404, 410}:
        raise Refused(say("answered with status {status}: it is gone", status=status))
    raise Refused(say("answered with status {status}", status=status))


def _wait(reply: Reply, now: datetime) -> timedelta | None:
    """Read ``Retry-After`` (RFC 9110, 10.2.3): seconds, or an instant."""
    said = reply.headers.get("retry-after", "").strip()
    if said.isascii() and said.isdecimal():
        return min(timedelta(seconds=int(said[:9])), LONGEST_WAIT)
    try:
        until = parsedate_to_datetime(said)
    except ValueError:
        return None
    until = until if until.tzinfo is not None else until.replace(tzinfo=UTC)
    return min(max(until - now, timedelta(0)), LONGEST_WAIT)
