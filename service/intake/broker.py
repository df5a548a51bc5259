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
import ssl
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from service.intake.keyring import SENSOR_USER, SERVICE_USER, Keyring
from service.intake.told_off import ToldOff
from service.intake.visits import GuardedBroker
from service.settings import MqttAddress
from service.store.tables import SensorKey

__all__ = [
    "SENSOR_USER",
    "SERVICE_USER",
    "BrokerError",
    "EmbeddedBroker",
    "TlsDoor",
    "running_address",
    "service_password",
    "usable_port",
]

START_WAIT_S = 20.0
CONNECTIONS_MOST = 200

log = logging.getLogger(__name__)


class BrokerError(RuntimeError):
    """The embedded broker cannot start; the message says why and what to do."""


@dataclass(frozen=True)
class TlsDoor:
    """Where the broker speaks TLS, and by which certificate; plain is then for loopback only."""

    port: int
    context: ssl.SSLContext


class EmbeddedBroker:
    """An amqtt broker on ``port``, which lets sensors in by their keys.

    The service has a password of its own, and so have this machine's other tools, all the same one.

    Parameters
    ----------
    data_folder : Path
        ``broker/`` in it keeps the passwords, readable by the owner only.
    port : int
        0 lets the system choose.
    lan : bool
        Listen on every interface; otherwise on loopback only.
    keys : callable
        Reads the keys of the sensors; :meth:`refresh` asks it again.
    sensors_open : bool, optional
        Whether whoever has no key is let in. None: from this machine, and while the broker listens
        on no other address.
    tls : TlsDoor, optional
        Speak TLS there. The plain port then listens on loopback only.

    Raises
    ------
    BrokerError
        On :meth:`start`, if the port is taken or the broker does not come up.
    """

    def __init__(
        self,
        data_folder: Path,
        port: int,
        *,
        lan: bool = False,
        keys: Callable[[], Sequence[SensorKey]] = tuple,
        sensors_open: bool | None = None,
        tls: TlsDoor | None = None,
    ) -> None:
        self.folder = data_folder / "broker"
        self._host, self._tls_host = _host(lan=lan and tls is None), _host(lan=lan)
        self._tls = tls
        self._port = port or _free_port()
        self._thread = threading.Thread(target=self._run, name="broker", daemon=True)
        self._up = threading.Event()
        self._failure: BaseException | None = None
        self._end: Callable[[], object] = lambda: None
        self.service_password = service_password(data_folder)
        self.sensor_password = _password(self.folder / "sensor.password")
        self.told_off = ToldOff()
        self._look_again: Callable[[], object] = lambda: None  # there is no loop yet
        self.keyring = Keyring(
            self.service_password,
            self.sensor_password,
            keys,
            open_to_all=sensors_open is True,
            open_here=not lan if sensors_open is None else sensors_open,
            on_change=self._changed,
        )

    @property
    def address(self) -> MqttAddress:
        """Where the service itself connects."""
        return MqttAddress("127.0.0.1", self._port, SERVICE_USER, self.service_password, tls=False)

    def start(self) -> None:
        """Bring the broker up; returns once it listens."""
        _check_free(self._host, self._port)
        if self._tls is not None:
            _check_free(self._tls_host, self._tls.port, "BOOTHGLASS_MQTT_TLS_PORT")
        self.keyring.refresh()
        self._thread.start()
        if not self._up.wait(START_WAIT_S) or self._failure is not None:
            raise BrokerError(
                f"the embedded broker does not come up on port {self._port}: "
                f"{self._failure or 'no answer'}"
            )
        _private(self.folder / "port", str(self._port))

    def refresh(self) -> None:
        """Take note of keys that were made or ended; whoever came in by such a one has to go."""
        self.keyring.refresh()

    def _changed(self) -> None:
        self._look_again()

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
        broker = GuardedBroker(
            self._config(),
            self.keyring,
            self.told_off,
            tls=None if self._tls is None else self._tls.context,
            loop=loop,
        )
        self._look_again = partial(loop.call_soon_threadsafe, broker.look_again)
        await broker.start()
        self._up.set()
        await ended.wait()
        await broker.shutdown()
        await broker.leave_nobody()

    def _config(self) -> dict[str, object]:
        listeners = {"default": _listener(f"{self._host}:{self._port}")}
        if self._tls is not None:
            listeners["tls"] = _listener(f"{self._tls_host}:{self._tls.port}") | {"ssl": True}
        return {"listeners": listeners, "plugins": {}}


def running_address(data_folder: Path) -> MqttAddress | None:
    """Return where the embedded broker of a data folder runs; None where it does not."""
    folder = data_folder / "broker"
    try:
        port = int((folder / "port").read_text())
        password = (folder / "service.password").read_text().strip()
    except (FileNotFoundError, ValueError):
        return None
    return MqttAddress("127.0.0.1", port, SERVICE_USER, password, tls=False)


def service_password(data_folder: Path) -> str:
    """Return the service's own password; it is made at first."""
    return _password(data_folder / "broker" / "service.password")


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


def _listener(bind: str) -> dict[str, object]:
    return {"type": "tcp", "bind": bind, "max_connections": CONNECTIONS_MOST}


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


def _check_free(host: str, port: int, setting: str = "BOOTHGLASS_MQTT_PORT") -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as error:
            raise BrokerError(
                f"MQTT port {port} cannot be used ({error.strerror}); set {setting} to "
                "a free one, or BOOTHGLASS_MQTT_URL to the broker that is there"
            ) from error


def _free_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
