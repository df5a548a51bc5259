"""A wire between phone and service that is cut when a tap has gone through, before its answer."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Callable

__all__ = ["Relay"]


class Relay:
    """Passes bytes both ways; ``cut`` is called when a request that begins so has been passed on.

    With ``after_answer`` it waits for the first byte of the answer, which it then swallows: the
    service has done what was asked, and nobody hears of it.
    """

    def __init__(self, port: int) -> None:
        self._to = port
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self._armed: tuple[bytes, Callable[[], None], bool] | None = None
        self._lock = threading.Lock()
        self.cuts = 0
        threading.Thread(target=self._accept, daemon=True).start()

    def arm(self, begins: bytes, cut: Callable[[], None], *, after_answer: bool) -> None:
        """Cut at the next request that begins so."""
        self._armed = (begins, cut, after_answer)

    def close(self) -> None:
        """Take no more connections."""
        self._listener.close()

    def _accept(self) -> None:
        while True:
            try:
                phone, _ = self._listener.accept()
            except OSError:
                return
            threading.Thread(target=self._serve, args=(phone,), daemon=True).start()

    def _serve(self, phone: socket.socket) -> None:
        try:
            service = socket.create_connection(("127.0.0.1", self._to), 2)
        except OSError:
            phone.close()
            return
        service.settimeout(None)
        swallow = threading.Event()
        back = threading.Thread(target=self._back, args=(service, phone, swallow), daemon=True)
        back.start()
        self._forth(phone, service, swallow)
        back.join()
        for end in (phone, service):
            end.close()

    def _forth(
        self, phone: socket.socket, service: socket.socket, swallow: threading.Event
    ) -> None:
        try:
            while chunk := phone.recv(65536):
                with self._lock:
                    armed = self._armed
                    hit = armed is not None and chunk.startswith(armed[0])
                    if hit:
                        self._armed = None
                if not hit or armed is None:
                    service.sendall(chunk)
                    continue
                swallow.set()
                service.sendall(chunk)
                if armed[2]:
                    service.recv(1, socket.MSG_PEEK)
                armed[1]()
                self.cuts += 1
                break
        except OSError:
            pass
        _shut(service)

    def _back(self, service: socket.socket, phone: socket.socket, swallow: threading.Event) -> None:
        try:
            while service.recv(1, socket.MSG_PEEK):
                if swallow.is_set():
                    break
                phone.sendall(service.recv(65536))
        except OSError:
            pass
        if swallow.is_set():
            swallow.wait()
        _shut(phone)


def _shut(end: socket.socket) -> None:
    with contextlib.suppress(OSError):
        end.shutdown(socket.SHUT_RDWR)
