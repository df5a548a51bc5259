"""Workers that do nothing, watched over as the service's are: ``supervised.py PATIENCE_S``."""

from __future__ import annotations

import socket
import sys
from typing import Any

import uvicorn

from service.commands.supervising import Supervisor


async def app(scope: dict[str, Any], receive: Any, send: Any) -> None:
    """Take the server's beginning and end."""
    await receive()
    await send({"type": "lifespan.startup.complete"})
    await receive()
    await send({"type": "lifespan.shutdown.complete"})


if __name__ == "__main__":
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        config = uvicorn.Config(
            "supervised:app", workers=2, timeout_worker_healthcheck=int(sys.argv[1])
        )
        Supervisor(config, sockets=[listener]).run()
