"""``boothglass-node pair``: fetches the node's key by a code from the page, and writes it down.

Over HTTPS the shop's own authority is fetched first, and trusted only if it has the digest that was
typed in beside the code. Nothing but Python's own library is needed.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import re
import ssl
import stat
import tomllib
import urllib.error
import urllib.request
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlsplit

from sensors.payloads import SHOPS

__all__ = ["Paired", "PairingError", "pair", "write_settings"]

PATH, AUTHORITY = "/api/v1/pairing", "/api/v1/pairing/authority"
WAIT_S = 20.0
MOST_BYTES = 100_000


class PairingError(RuntimeError):
    """No key was given, or what was given cannot be kept; the message says why."""


@dataclass(frozen=True)
class Paired:
    """What the node was given."""

    place: str
    sensor: str
    broker: str
    """Address of the broker with user and password."""
    authority: str | None
    shop: str = ""
    """Word of the shop, where many share the broker."""


def pair(base: str, code: str, digest: str | None) -> Paired:
    """Fetch the key that a code stands for.

    Parameters
    ----------
    base : str
        Address of the pages, ``http(s)://host:port``.
    digest : str, optional
        SHA-256 of the authority, in hex digits; needed where it is one of the shop's own.

    Raises
    ------
    PairingError
        Where nobody answers there, the authority is another, or the code is not good.
    """
    parts = urlsplit(base)
    if parts.scheme not in {"http", "https"} or not parts.hostname:
        raise PairingError("address: expected http://host:port, or https://")
    root = f"{parts.scheme}://{parts.netloc}"
    trust = None
    if parts.scheme == "https":
        trust = ssl.create_default_context()
        if digest is not None:
            trust = ssl.create_default_context(cadata=_authority(root, digest))
    elif digest is not None:
        raise PairingError("digest: is of use with https:// only")
    body = json.dumps({"code": code}).encode()
    request = urllib.request.Request(  # noqa: S310 -- scheme checked above
        root + PATH, body, {"Content-Type": "application/json"}, method="POST"
    )
    try:
        given = json.loads(_fetch(request, trust))
        return _paired(given)
    except (KeyError, TypeError, ValueError) as error:
        raise PairingError(f"{root} answers what is no key: {error!r}") from error


def write_settings(file: Path, paired: Paired, more: Mapping[str, str]) -> None:
    """Write a node's settings; others that the file has already are kept.

    Readable by the owner only, for it holds the password.

    Raises
    ------
    PairingError
        Where the file cannot be read or written.
    """
    try:
        kept = file.read_text(encoding="utf-8") if file.exists() else ""
        tomllib.loads(kept)
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise PairingError(f"{file}: cannot be read: {error}") from error
    new = {"place": paired.place, "sensor": paired.sensor, "broker": paired.broker, **more}
    if paired.shop:
        new["shop"] = paired.shop
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        if paired.authority is not None:
            authority = file.with_name("boothglass-ca.crt")
            _write(authority, paired.authority, 0o644)
            new["ca"] = str(authority)
        gone = re.compile(rf"\s*({'|'.join(['ca', 'shop', *new])})\s*=")
        lines = [line for line in kept.splitlines() if not gone.match(line)]
        lines += [f"{name} = {json.dumps(value)}" for name, value in new.items()]
        _write(file, "\n".join(lines) + "\n", 0o600)
    except OSError as error:
        raise PairingError(f"{file}: cannot be written: {error}") from error


def _authority(root: str, digest: str) -> str:
    """Fetch the shop's authority unseen; take it only if its digest is the one that was typed."""
    unseen = ssl.create_default_context()
    unseen.check_hostname, unseen.verify_mode = False, ssl.CERT_NONE
    pem = _fetch(urllib.request.Request(root + AUTHORITY), unseen).decode("ascii", "replace")  # noqa: S310 -- scheme checked above
    try:
        found = hashlib.sha256(ssl.PEM_cert_to_DER_cert(pem)).hexdigest().upper()
    except ValueError as error:
        raise PairingError(f"{root} has no certificate of its own") from error
    typed = re.sub(r"[^0-9A-F]", "", digest.upper())
    if not hmac.compare_digest(found, typed):
        raise PairingError(f"{root} has another authority than the page has said: {found}")
    return pem


def _fetch(request: urllib.request.Request, trust: ssl.SSLContext | None) -> bytes:
    try:
        with urllib.request.urlopen(request, timeout=WAIT_S, context=trust) as answer:  # noqa: S310 -- as above
            found: bytes = answer.read(MOST_BYTES)
            return found
    except urllib.error.HTTPError as error:
        try:
            said = json.loads(error.read(MOST_BYTES))["detail"]
        except (ValueError, KeyError, TypeError):
            said = error.reason
        raise PairingError(f"refused: {said}") from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "reason", error)
        raise PairingError(f"{request.host} cannot be reached: {reason}") from error


def _paired(given: Mapping[str, Any]) -> Paired:
    if given["place"] is None:
        raise PairingError("this code is for a device with topics of its own, not for a node")
    who = f"{quote(given['user'], safe='')}:{quote(given['password'], safe='')}"
    host = f"[{given['host']}]" if ":" in given["host"] else given["host"]
    broker = f"mqtt{'s' if given['tls'] else ''}://{who}@{host}:{int(given['port'])}"
    authority = given["authority"] if given["tls"] else None
    root, _, rest = str(given["topic"] or "").partition("/")
    shop = rest.partition("/")[0] if root == SHOPS else ""
    return Paired(str(given["place"]), str(given["sensor"]), broker, authority, shop)


def _write(file: Path, text: str, mode: int) -> None:
    draft = file.with_name(f".{file.name}.new")
    draft.unlink(missing_ok=True)
    made = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, stat.S_IMODE(mode))
    with os.fdopen(made, "w", encoding="utf-8") as out:
        os.fchmod(made, mode)
        out.write(text)
    draft.replace(file)
