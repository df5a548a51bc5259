"""What our messages are sent to in these tests: an HTTP server, with TLS where wanted."""

from __future__ import annotations

import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import trustme

from service.notify.channels import Message

AT = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


def message(**changes: Any) -> Message:
    """A message as the outbox sends it."""
    usual: dict[str, Any] = {
        "title": "3 pieces ready to scuff",
        "body": "No. 41: ready since 14:02\nNo. 43 at 21.5 °C: ready",
        "url": "http://booth.local:8317/notices",
        "ack_url": "http://booth.local:8317/n/tOk-en_123",
        "tag": "boothglass-7",
        "kind": "sand-ready",
        "at": AT,
        "urgent": False,
        "notices": (11, 12, 13),
        "delivery_id": 7,
    }
    return Message(**(usual | changes))


@dataclass(frozen=True)
class Certified:
    """One side's view each of an authority that only these tests know."""

    server: ssl.SSLContext
    client: ssl.SSLContext


def certificates() -> Certified:
    """Make an authority, and a certificate by it for ``localhost``."""
    authority = trustme.CA()
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert("localhost").configure_cert(server)
    client = ssl.create_default_context()
    authority.configure_trust(client)
    return Certified(server, client)


@dataclass
class Got:
    """One request as it came."""

    path: str
    headers: dict[str, str]
    body: bytes


@dataclass
class Answering:
    """A server that keeps what it gets and answers as it is told."""

    port: int
    scheme: str = "http"
    got: list[Got] = field(default_factory=list)
    status: int = 204
    headers: dict[str, str] = field(default_factory=dict)
    body: bytes = b""
    connections: int = 0

    @property
    def host(self) -> str:
        return f"localhost:{self.port}"

    @property
    def url(self) -> str:
        return f"{self.scheme}://localhost:{self.port}/in?who=ana"


@contextmanager
def answering(tls: ssl.SSLContext | None = None) -> Iterator[Answering]:
    """Serve on a free port of loopback."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            length = int(self.headers.get("Content-Length", "0"))
            names = {name.lower(): value for name, value in self.headers.items()}
            made.got.append(Got(self.path, names, self.rfile.read(length)))
            self.send_response(made.status)
            for name, value in made.headers.items():
                self.send_header(name, value)
            self.send_header("Content-Length", str(len(made.body)))
            self.end_headers()
            self.wfile.write(made.body)

        def log_message(self, *_: object) -> None:
            pass

    class Server(ThreadingHTTPServer):
        def get_request(self) -> Any:
            made.connections += 1
            plain, address = super().get_request()
            return (tls.wrap_socket(plain, server_side=True) if tls else plain), address

        def handle_error(self, *_: object) -> None:
            pass  # who hangs up early hears nothing

    server = Server(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    made = Answering(server.server_address[1], "https" if tls else "http")
    thread = threading.Thread(target=server.serve_forever, args=(0.02,))
    thread.start()
    try:
        yield made
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
