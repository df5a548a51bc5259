"""A costly answer is reckoned once, however many ask for it at the same time."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future
from typing import Generic, TypeVar

__all__ = ["Once"]

Key = TypeVar("Key", bound=Hashable)
Value = TypeVar("Value")


class Once(Generic[Key, Value]):
    """Values that follow from their key alone; the ``most`` that were asked for last are kept.

    Whoever asks for what another thread is just reckoning waits for it instead of doing the same.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._lock = threading.Lock()
        self._made: OrderedDict[Key, Future[Value]] = OrderedDict()

    def get(self, key: Key, make: Callable[[], Value]) -> Value:
        """Return the value of a key; an error goes to all who wait for it and is not kept."""
        with self._lock:
            found = self._made.get(key)
            mine = found is None
            if found is None:
                found = self._made[key] = Future()
            self._made.move_to_end(key)
            while len(self._made) > self._most:
                self._made.popitem(last=False)
        if mine:
            try:
                found.set_result(make())
            except BaseException as error:  # noqa: BLE001 -- nobody may wait for ever
                with self._lock:
                    if self._made.get(key) is found:
                        del self._made[key]
                found.set_exception(error)
        return found.result()
