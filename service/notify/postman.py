"""Takes deliveries out of the outbox and sends each by its channel."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from typing import Any, Protocol

from service.address import page_of
from service.clock import Clock
from service.notify.channels import Later, Message, Refused, Sender
from service.shop.said import say
from service.shop.telling_words import Line, body_of, title_of
from service.store.outbox import TEST, Claimed, Outbox

__all__ = ["Postman", "Wording"]

log = logging.getLogger(__name__)


class Wording(Protocol):
    """Puts figures and instants into a person's words."""

    def local(self, text: str) -> str:
        """Say a sentence in the person's language and units."""

    def at(self, instant: datetime, now: datetime, /) -> str:
        """Tell an instant, as short as it can be from now."""


class Postman:
    """Sends what is due.

    Parameters
    ----------
    senders : mapping
        A sender for each kind of channel.
    public_url : callable
        Returns the address under which people reach the pages, without a slash at its end.
    wording : callable
        Returns the words of a person with such preferences.
    """

    def __init__(
        self,
        outbox: Outbox,
        clock: Clock,
        senders: Mapping[str, Sender],
        *,
        public_url: Callable[[], str],
        wording: Callable[[Mapping[str, Any]], Wording],
    ) -> None:
        self._outbox, self._clock, self._senders = outbox, clock, senders
        self._public_url, self._wording = public_url, wording
        self._ending = threading.Event()

    @property
    def kinds(self) -> Sequence[str]:
        """Kinds of channels that can be used here."""
        return sorted(self._senders)

    def check(self, kind: str, config: Mapping[str, Any]) -> dict[str, Any]:
        """Return a channel's configuration as it is kept.

        Raises
        ------
        ValueError
            Naming the field that cannot be.
        """
        if kind not in self._senders:
            raise ValueError("kind: " + say("must be one of {known}", known=", ".join(self.kinds)))
        return self._senders[kind].check(config)

    def work(self) -> int:
        """Write what is to be told, send all that is due; return how many went out.

        A channel that fails is left alone until the next round, so that it cannot hold up others.
        """
        self._outbox.tell()
        count, failed = 0, set[int]()
        while not self._ending.is_set():
            claimed = self._outbox.claim(failed)
            if claimed is None:
                break
            if self._send(claimed) is None:
                count += 1
            else:
                failed.add(claimed.channel_id)
        return count

    def stop(self) -> None:
        """Begin nothing new; what waits is sent after the next start."""
        self._ending.set()

    def try_out(self, person_id: int, channel_id: int) -> str | None:
        """Send a test by a channel now; return what went wrong, if anything did."""
        return self._send(self._outbox.begin_test(person_id, channel_id))

    def _send(self, claimed: Claimed) -> str | None:
        """Send what is in hand and mark what became of it."""
        try:
            self._sender(claimed).send(claimed.config, self.message(claimed))
        except Refused as error:
            self._outbox.refused(claimed.id, str(error))
            return self._said(claimed, str(error))
        except Later as error:
            self._outbox.later(claimed.id, str(error), error.wait)
            return self._said(claimed, str(error))
        except Exception as error:  # noqa: BLE001 -- one message must not hold up all others
            # Its text may hold an address or a secret: the kind of error must do.
            said = say("could not be sent ({name})", name=type(error).__name__)
            self._outbox.later(claimed.id, said)
            return self._said(claimed, said)
        self._outbox.sent(claimed.id)
        return None

    def _sender(self, claimed: Claimed) -> Sender:
        kind = claimed.channel_kind
        if kind not in self._senders:
            raise Refused(say("channels of kind {kind} cannot be used here", kind=kind))
        if not claimed.config:  # left out of the file that the shop came in
            raise Refused(say("its address is not known any more: set this channel up again"))
        return self._senders[kind]

    def message(self, claimed: Claimed) -> Message:
        """Return what a delivery says, in its person's words."""
        base, now = self._public_url(), self._clock.now()
        words = self._wording(claimed.prefs)
        lines = [Line(n.text, n.at, n.instrument_id) for n in claimed.notices]
        if claimed.kind == TEST:
            title, body = words.local(say("Test")), words.local(say("This channel works."))
            path = "/settings/people"
        else:
            title = words.local(title_of(claimed.kind, lines))
            body = body_of(
                lines,
                now,
                local=words.local,
                at=words.at,
                no_answer_from=claimed.no_answer_from,
            )
            path = _page(claimed)
        return Message(
            title=title,
            body=body,
            url=base + path,
            ack_url=f"{base}/n/{claimed.ack_token}",
            tag=f"boothglass-{claimed.id}",
            kind=claimed.kind,
            at=max((line.at for line in lines), default=now),
            urgent=claimed.urgent,
            notices=tuple(int(n.id or 0) for n in claimed.notices),
            delivery_id=claimed.id,
            more=words.local(say("More")),
            seen=words.local(say("I have seen it")),
        )

    def _said(self, claimed: Claimed, error: str) -> str:
        log.warning(
            "delivery not sent",
            extra={"delivery": claimed.id, "channel": claimed.channel_id, "error": error},
        )
        return error


def _page(claimed: Claimed) -> str:
    """Return the page that shows most of what a delivery tells."""
    single = page_of(claimed.notices[0]) if len(claimed.notices) == 1 else None
    return single or "/notices"
