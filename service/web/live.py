"""The live stream's hub: any thread publishes, every open page listens.

Events are hints ("the air of *booth* changed"): a page that missed some asks again for what it
shows, so a listener that falls behind is dropped rather than fed from an endless queue.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

__all__ = ["Event", "Hub", "HubFullError", "Subscription"]

QUEUE_LENGTH = 64
"""Events that may wait for one listener before it is dropped."""

MOST_LISTENERS = 200
"""Open pages at once; each holds a socket."""


class HubFullError(RuntimeError):
    """No room for another listener."""


@dataclass(frozen=True)
class Event:
    """A name and its JSON-ready data."""

    name: str
    data: dict[str, Any]


class Subscription:
    """One listener: an async iterator that ends when it is closed or falls behind."""

    def __init__(self, hub: Hub, loop: asyncio.AbstractEventLoop) -> None:
        self._hub = hub
        self._loop = loop
        # One place more than is offered: the end always fits in.
        self._queue: asyncio.Queue[Event | None] = asyncio.Queue(QUEUE_LENGTH + 1)
        self._ended = False

    def __aiter__(self) -> Subscription:
        return self

    async def __anext__(self) -> Event:
        event = await self._queue.get()
        if event is None:
            raise StopAsyncIteration
        return event

    def close(self) -> None:
        """Leave the hub; the iterator ends after what already waits. Safe to call twice."""
        self._hub.leave(self)
        self._end()

    def hand(self, event: Event | None) -> bool:
        """Pass an event (None: the end) over from any thread; False where nobody is left."""
        try:
            self._loop.call_soon_threadsafe(self._take, event)
        except RuntimeError:  # the listener's loop is closed
            return False
        return True

    def _take(self, event: Event | None) -> None:
        if event is None or self._queue.qsize() >= QUEUE_LENGTH:
            self._hub.leave(self)
            self._end()
        elif not self._ended:
            self._queue.put_nowait(event)

    def _end(self) -> None:
        if not self._ended:
            self._ended = True
            self._queue.put_nowait(None)


class Hub:
    """Spreads events to every subscription; all methods may be called from any thread."""

    def __init__(self) -> None:
        self.also: Callable[[str, dict[str, Any]], None] | None = None
        """Told of whatever is published here: whoever carries it to the pages of other workers."""
        self._lock = threading.Lock()
        self._listeners: set[Subscription] = set()
        self._closed = False

    def publish(self, event: str, data: dict[str, Any]) -> None:
        """Tell every listener, everywhere; never waits and never raises for a listener's sake."""
        self.spread(event, data)
        if self.also is not None:
            self.also(event, data)

    def spread(self, event: str, data: dict[str, Any]) -> None:
        """Tell the listeners here, and nobody else."""
        told = Event(event, data)
        with self._lock:
            listeners = tuple(self._listeners)
        for listener in listeners:
            if not listener.hand(told):
                self.leave(listener)

    def subscribe(self) -> Subscription:
        """Join from the running event loop; what is published from now on is heard.

        Raises
        ------
        HubFullError
            Where :data:`MOST_LISTENERS` listen already, or the hub is closed.
        """
        subscription = Subscription(self, asyncio.get_running_loop())
        with self._lock:
            if self._closed:
                raise HubFullError("the live stream is closed")
            if len(self._listeners) >= MOST_LISTENERS:
                raise HubFullError(f"{MOST_LISTENERS} pages listen already")
            self._listeners.add(subscription)
        return subscription

    def leave(self, subscription: Subscription) -> None:
        """Forget a listener."""
        with self._lock:
            self._listeners.discard(subscription)

    @property
    def listeners(self) -> int:
        """How many listen."""
        with self._lock:
            return len(self._listeners)

    def close(self) -> None:
        """End every subscription, for a shutdown that need not wait for open pages."""
        with self._lock:
            self._closed = True
            listeners = tuple(self._listeners)
        for listener in listeners:
            listener.hand(None)
