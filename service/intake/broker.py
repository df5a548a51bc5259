"""The embedded MQTT broker: for a shop that has none of its own.

It runs in a thread with its own event loop, so that a busy page never delays a sensor. Sessions
are kept in memory only: a shop that must not lose a message in a power cut runs Mosquitto and sets
``BOOTHGLASS_MQTT_URL``.
"""

from __future__ import annotations

import asyncio
import logging
import secrets
import socket
import threading
from collections.abc import Callable
from functools import partial
from pathlib import Path

from amqtt.broker import Broker

from service.settings import MqttAddress

__all__ = [
    "SENSOR_USER",
    "SERVICE_USER",
    "BrokerError",
    "EmbeddedBroker",
    "running_address",
    "usable_port",
]

SERVICE_USER, SENSOR_USER = "boothglass", "sensor"
START_WAIT_S = 20.0

log = logging.getLogger(__name__)


class BrokerError(RuntimeError):
    """The embedded broker cannot start; the message says why and what to do."""


class _Broker(Broker):  # type: ignore[misc]  # amqtt is untyped
    """amqtt, but for one thing: a visitor who leaves before saying who it is leaves no open socket.

    Port scanners and health probes do that; a few hundred would use up what a process may open.
    """

    async def stream_connected(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, listener_name: str
    ) -> None:
        """Serve one visitor to the end."""
        try:
            await super().stream_connected(reader, writer, listener_name)
        finally:
            writer.close()


class EmbeddedBroker:
    """An amqtt broker on ``port``, with a password for the service and one for the sensors.

    Parameters
    ----------
    data_folder : Path
        ``broker/`` in it keeps the passwords, readable by the owner only.
    port : int
        0 lets the system choose.
    lan : bool
        Listen on every interface; otherwise on loopback only.

    Raises
    ------
    BrokerError
        On :meth:`start`, if the port is taken or the broker does not come up.
    """

    def __init__(self, data_folder: Path, port: int, *, lan: bool = False) -> None:
        self.folder = data_folder / "broker"
        self._host = _host(lan=lan)
        self._port = port or _free_port()
        self._thread = threading.Thread(target=self._run, name="broker", daemon=True)
        self._up = threading.Event()
        self._failure: BaseException | None = None
        self._end: Callable[[], object] = lambda: None
        self.service_password = _password(self.folder / "service.password")
        self.sensor_password = _password(self.folder / "sensor.password")

    @property
    def address(self) -> MqttAddress:
        """Where the service itself connects."""
        return MqttAddress("127.0.0.1", self._port, SERVICE_USER, self.service_password, tls=False)

    def start(self) -> None:
        """Bring the broker up; returns once it listens."""
        _check_free(self._host, self._port)
        self._thread.start()
        if not self._up.wait(START_WAIT_S) or self._failure is not None:
            raise BrokerError(
                f"the embedded broker does not come up on port {self._port}: "
                f"{self._failure or 'no answer'}"
            )
        _private(self.folder / "port", str(self._port))

    def stop(self) -> None:
        """Take the broker down."""
        if self._thread.is_alive():
            self._end()
            self._thread.join(timeout=10)
            (self.folder / "port").unlink(missing_ok=True)

    def _run(self) -> None:
        for name in ("amqtt", "transitions"):
            logging.getLogger(name).setLevel(logging.CRITICAL)
        try:
            asyncio.run(self._serve())
        except BaseException as error:  # noqa: BLE001 -- handed to start(), which raises it
            self._failure = error
            self._up.set()

    async def _serve(self) -> None:
        loop, ended = asyncio.get_running_loop(), asyncio.Event()
        # A client that answers late or not at all is no matter for the service's log.
        loop.set_exception_handler(lambda _loop, context: log.debug("broker: %s", context))
        self._end = partial(loop.call_soon_threadsafe, ended.set)
        broker = _Broker(self._config(), loop=loop)
        await broker.start()
        self._up.set()
        await ended.wait()
        await broker.shutdown()

    def _config(self) -> dict[str, object]:
        return {
            "listeners": {
                "default": {
                    "type": "tcp",
                    "bind": f"{self._host}:{self._port}",
                    "max_connections": 200,
                }
            },
            "plugins": {
                "service.intake.gate.PasswordGate": {
                    "users": {
                        SERVICE_USER: self.service_password,
                        SENSOR_USER: self.sensor_password,
                    }
                },
            },
        }


def running_address(data_folder: Path) -> MqttAddress | None:
    """Return where the embedded broker of a data folder runs; None where it does not."""
    folder = data_folder / "broker"
    try:
        port = int((folder / "port").read_text())
        password = (folder / "service.password").read_text().strip()
    except (FileNotFoundError, ValueError):
        return None
    return MqttAddress("127.0.0.1", port, SERVICE_USER, password, tls=False)


def usable_port(first: int, *, lan: bool = False, tries: int = 20) -> int:
    """Return ``first``, or the next port after it that nobody listens on.

    Raises
    ------
    BrokerError
        If none of ``tries`` ports is free.
    """
    for port in range(first, first + tries):
        try:
            _check_free(_host(lan=lan), port)
        except BrokerError:
            continue
        return port
    raise BrokerError(
        f"MQTT ports {first} to {first + tries - 1} are all taken; set BOOTHGLASS_MQTT_PORT to a "
        "free one, or BOOTHGLASS_MQTT_URL to the broker that is there"
    )


def _host(*, lan: bool) -> str:
    return "0.0.0.0" if lan else "127.0.0.1"  # noqa: S104 -- only when asked with --lan


def _password(file: Path) -> str:
    if not file.exists():
        file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        _private(file, secrets.token_urlsafe(18))
    return file.read_text().strip()


def _private(file: Path, text: str) -> None:
    file.touch(mode=0o600)
    file.chmod(0o600)
    file.write_text(text)


def _check_free(host: str, port: int) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as error:
            raise BrokerError(
                f"MQTT port {port} cannot be used ({error.strerror}); set BOOTHGLASS_MQTT_PORT to "
                "a free one, or BOOTHGLASS_MQTT_URL to the broker that is there"
            ) from error


def _free_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
