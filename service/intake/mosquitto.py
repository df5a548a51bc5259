"""Files by which Mosquitto lets sensors in as the embedded broker does: passwords, rights, conf.

The service has a listener of its own on loopback, with its own file of users: no sensor can come in
there. On the sensors' listener the client id is the user's name, so that nobody can take over the
session of another by naming its client id.
"""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from sensors.payloads import SHOPS, TOPIC_ROOT
from service.certificates import CA_FILE, SERVER_FILE, SERVER_KEY
from service.intake.keyring import SERVICE_USER
from service.intake.turnstile import LARGEST_BYTES
from service.store.secrets_kept import fits, hashed
from service.store.sensor_keys import BrokerKey

__all__ = ["CONF", "FILES", "Ports", "write_files"]

CONF, SECRETS, RIGHTS = "boothglass.conf", "boothglass.passwords", "boothglass.acl"
SERVICE_SECRETS, SERVICE_RIGHTS = "boothglass-service.passwords", "boothglass-service.acl"
FILES = (CONF, SECRETS, RIGHTS, SERVICE_SECRETS, SERVICE_RIGHTS)
TLS_FILES = (CA_FILE, SERVER_FILE, SERVER_KEY)

CONNECTIONS = 500
"""As many visitors as the embedded broker lets in; twice the sensors where those are more."""

HEAD = "# Written by `boothglass broker-files`, and anew whenever sensors change: do not edit.\n"


SERVICE_MAY = f"""
user {SERVICE_USER}
topic readwrite {TOPIC_ROOT}/#
topic readwrite {SHOPS}/#
topic read #
"""


@dataclass(frozen=True)
class Ports:
    """Where Mosquitto listens: for the sensors on every address, for the service on loopback."""

    sensors: int
    service: int


def write_files(
    folder: Path,
    keys: Sequence[BrokerKey],
    service_password: str,
    ports: Ports,
    certificates: Path | None = None,
) -> bool:
    """Write what has changed, each file at once or not at all; return whether anything had.

    Parameters
    ----------
    folder : Path
        Is made if need be, for its owner only. If its group keeps what is made in it (mode 2750),
        that group may read the files: Mosquitto's, where it runs as a user of its own.
    certificates : Path, optional
        Folder of the authority: the sensors' listener speaks TLS by a copy of its certificate.
        Without it sensors come in plain.

    Raises
    ------
    OSError
        If the folder cannot be written to.
    """
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    folder = folder.resolve()
    secrets = "".join(f"{key.user}:{key.secret_hash}\n" for key in keys)
    changed = False
    for name, text in (
        (SECRETS, secrets),
        (RIGHTS, HEAD + "".join(map(_rights, keys))),
        (SERVICE_SECRETS, _service_line(folder / SERVICE_SECRETS, service_password)),
        (SERVICE_RIGHTS, HEAD + SERVICE_MAY),
        (CONF, _conf(folder, ports, len(keys), tls=certificates is not None)),
        *_copies(certificates),
    ):
        changed = _write(folder / name, text) or changed
    return changed


def _copies(certificates: Path | None) -> list[tuple[str, str]]:
    if certificates is None:
        return []
    return [(name, (certificates / name).read_text()) for name in TLS_FILES]


def _rights(key: BrokerKey) -> str:
    lines = [f"\nuser {key.user}"]
    lines += [f"topic write {topic}" for topic in key.topics]
    lines += [f"topic read {topic}" for topic in key.reads]
    return "\n".join(lines) + "\n"


def _service_line(file: Path, password: str) -> str:
    """Return the service's line; the one that is there, while it fits: a new salt is no change."""
    with contextlib.suppress(OSError, ValueError):
        line = file.read_text()
        user, kept = line.rstrip("\n").split(":", 1)
        if user == SERVICE_USER and fits(password, kept):
            return line
    return f"{SERVICE_USER}:{hashed(password)}\n"


def _conf(folder: Path, ports: Ports, keys: int, *, tls: bool) -> str:
    lines = [
        HEAD.rstrip(),
        "# The line that follows must stand before any listener: include this file first.",
        "per_listener_settings true",
        "persistence true",
        "# Readings wait while the service is down; none is thrown away.",
        "max_queued_messages 0",
        "# A packet that is larger cannot be a reading.",
        f"max_packet_size {LARGEST_BYTES}",
        "",
        "# The service, and nobody else, on this machine.",
        f"listener {ports.service} 127.0.0.1",
        "allow_anonymous false",
        f"password_file {folder / SERVICE_SECRETS}",
        f"acl_file {folder / SERVICE_RIGHTS}",
        "",
        "# The sensors.",
        f"listener {ports.sensors}",
        "allow_anonymous false",
        f"password_file {folder / SECRETS}",
        f"acl_file {folder / RIGHTS}",
        "# Nobody takes over the session of another by its client id.",
        "use_username_as_clientid true",
        f"max_connections {max(CONNECTIONS, 2 * keys)}",
    ]
    if tls:
        lines += [
            f"cafile {folder / CA_FILE}",
            f"certfile {folder / SERVER_FILE}",
            f"keyfile {folder / SERVER_KEY}",
            "tls_version tlsv1.2",
        ]
    return "\n".join(lines) + "\n"


def _write(file: Path, text: str) -> bool:
    if file.is_file() and file.read_text() == text:
        return False
    shared = bool(file.parent.stat().st_mode & stat.S_ISGID)
    draft = file.with_name(f".{file.name}.new")
    draft.unlink(missing_ok=True)
    made = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o640 if shared else 0o600)
    with os.fdopen(made, "w") as out:
        os.fchmod(made, 0o640 if shared else 0o600)
        out.write(text)
        out.flush()
        os.fsync(made)
    draft.replace(file)
    return True
