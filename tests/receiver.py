"""A receiver of messages that is a web server of its own, and a sender that posts to it."""

from __future__ import annotations

import json
import threading
import time
import urllib.error
import urllib.request
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import asdict
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, Self

from service.notify.channels import Later, Message, Refused


class Receiver:
    """Takes what is posted to it and keeps it; ``answer`` says with which status."""

    def __init__(self) -> None:
        self.got: list[dict[str, Any]] = []
        self.answer: Callable[[dict[str, Any]], int] = lambda _: 204
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
                status = receiver.answer(body)
                if status < 300:
                    receiver.got.append(body)
                self.send_response(status)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                pass

        class Server(ThreadingHTTPServer):
            def handle_error(self, *_: object) -> None:
                pass  # whoever was killed hears no answer

        self._server = Server(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}/told"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,))

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    def times(self) -> Counter[int]:
        """How often each delivery came."""
        return Counter(body["delivery_id"] for body in list(self.got))


class PostSender:
    """Posts each message as JSON to the ``url`` of a channel's configuration."""

    def check(self, config: Mapping[str, Any]) -> dict[str, Any]:
        if not str(config.get("url", "")).startswith("http"):
            raise ValueError("url: must be an address that begins with http")
        return dict(config)

    def send(self, config: Mapping[str, Any], message: Message) -> None:
        body = json.dumps(asdict(message), default=str).encode()
        request = urllib.request.Request(config["url"], data=body, method="POST")
        try:
            with urllib.request.urlopen(request, timeout=5):
                pass
        except urllib.error.HTTPError as error:
            error.close()
            if error.code in {404, 410}:
                raise Refused(f"answered {error.code}") from None
            raise Later(f"answered {error.code}") from None
        except (OSError, TimeoutError) as error:
            raise Later(f"no connection ({type(error).__name__})") from None


def slowly(seconds: float) -> Callable[[dict[str, Any]], int]:
    """Answer after a while."""

    def answer(_: dict[str, Any]) -> int:
        time.sleep(seconds)
        return 204

    return answer
