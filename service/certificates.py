"""A small authority of the shop's own, and the certificate by which its broker and pages are known.

Four files in one folder: ``ca.crt`` for everybody, ``ca.key`` for nobody but this machine,
``server.crt`` and ``server.key`` for broker and pages. Who trusts ``ca.crt`` knows that it speaks
to this shop and that nobody listens in.
"""

from __future__ import annotations

import ipaddress
import os
import re
import socket
import ssl
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

__all__ = [
    "CA_FILE",
    "CERTIFICATE_LIVES",
    "RENEW_BEFORE",
    "SERVER_FILE",
    "SERVER_KEY",
    "CertificateError",
    "Made",
    "fingerprint",
    "load_into",
    "names_of_this_machine",
    "renew",
    "renew_in_time",
    "server_context",
    "valid_until",
]

CA_FILE, CA_KEY = "ca.crt", "ca.key"
SERVER_FILE, SERVER_KEY = "server.crt", "server.key"

CA_LIVES = timedelta(days=3650)
CERTIFICATE_LIVES = timedelta(days=397)
"""Browsers take no certificate that is good for longer (398 days: CA/Browser Forum)."""

RENEW_BEFORE = timedelta(days=30)
CLOCKS_DIFFER = timedelta(days=1)
"""A board that was just switched on may not know the time yet."""

PRIVATE, PUBLIC = 0o600, 0o644


class CertificateError(RuntimeError):
    """Certificates cannot be made or used; the message names the file, and what to do."""


@dataclass(frozen=True)
class Made:
    """What was done: which of the two certificates is new, what they are good for."""

    new_authority: bool
    new_server: bool
    names: tuple[str, ...]
    until: datetime
    fingerprint: str


def renew(folder: Path, names: Sequence[str], now: datetime, *, anew: bool = False) -> Made:
    """Make whatever is missing, runs out within 30 days, or is for other names.

    Parameters
    ----------
    names : sequence of str
        Names and addresses by which sensors and browsers reach this machine; localhost and
        127.0.0.1 are added.
    anew : bool
        Make a new server certificate in any case. The authority stays, so no sensor notices.

    Raises
    ------
    CertificateError
        For a name that cannot be, a file that is no certificate, or a folder that cannot be used.
    """
    wanted = tuple(dict.fromkeys([*map(_name, names), "localhost", "127.0.0.1"]))
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        authority, key, new_authority = _authority(folder, now)
        server = _certificate(folder / SERVER_FILE)
        due = (
            server is None
            or not (folder / SERVER_KEY).is_file()
            or set(_names_in(server)) != set(wanted)
            or server.not_valid_after_utc < now + RENEW_BEFORE
            or server.issuer != authority.subject
            or new_authority
        )
        if server is None or due or anew:
            server = _make_server(folder, wanted, authority, key, now)
            due = True
    except OSError as error:
        raise CertificateError(f"{folder}: {error.strerror or error}") from error
    return Made(new_authority, due, wanted, server.not_valid_after_utc, fingerprint(folder))


def renew_in_time(folder: Path, now: datetime) -> bool:
    """Renew a certificate that runs out within 30 days, for the same names; whether it did.

    Where the authority's key was taken elsewhere nothing can be renewed, and nothing is done.
    """
    server = _certificate(folder / SERVER_FILE)
    if server is None or not (folder / CA_KEY).is_file():
        return False
    return renew(folder, _names_in(server), now).new_server


def fingerprint(folder: Path) -> str:
    """Return the SHA-256 of the authority's certificate, in capital hex digits, without colons."""
    found = _certificate(folder / CA_FILE)
    if found is None:
        raise CertificateError(_missing(folder))
    return found.fingerprint(hashes.SHA256()).hex().upper()


def valid_until(folder: Path) -> datetime:
    """Return until when the server's certificate is good."""
    found = _certificate(folder / SERVER_FILE)
    if found is None:
        raise CertificateError(_missing(folder))
    return found.not_valid_after_utc


def server_context(folder: Path) -> ssl.SSLContext:
    """Return what a server speaks TLS by: 1.2 or newer."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    load_into(context, folder)
    return context


def load_into(context: ssl.SSLContext, folder: Path) -> None:
    """Let a server that runs go on with the certificate that lies in the folder now."""
    try:
        context.load_cert_chain(folder / SERVER_FILE, folder / SERVER_KEY)
    except FileNotFoundError as error:
        raise CertificateError(_missing(folder)) from error
    except (OSError, ssl.SSLError) as error:
        raise CertificateError(f"{folder / SERVER_FILE}: cannot be used: {error}") from error


def names_of_this_machine() -> tuple[str, ...]:
    """Return the names that other devices are likely to use."""
    name = socket.gethostname().split(".")[0].lower()
    # Where the network knows names by multicast DNS (RFC 6762), as most home networks do.
    return (name, f"{name}.local") if re.fullmatch(r"[a-z0-9-]{1,63}", name) else ()


def _authority(
    folder: Path, now: datetime
) -> tuple[x509.Certificate, ec.EllipticCurvePrivateKey, bool]:
    found, kept = _certificate(folder / CA_FILE), folder / CA_KEY
    if found is not None and kept.is_file():
        key = serialization.load_pem_private_key(kept.read_bytes(), password=None)
        if not isinstance(key, ec.EllipticCurvePrivateKey):
            raise CertificateError(f"{kept}: is no key of ours; move it away to begin anew")
        if found.not_valid_after_utc > now + CERTIFICATE_LIVES:
            return found, key, False
    elif found is not None or kept.exists():
        # Half an authority: making another one would shut every sensor out without a word.
        raise CertificateError(f"{folder}: has only one of {CA_FILE} and {CA_KEY}; move it away")
    key = ec.generate_private_key(ec.SECP256R1())
    # The year tells a new authority from the one before it on a device that trusts both.
    subject = x509.Name(
        [x509.NameAttribute(NameOID.COMMON_NAME, f"Boothglass authority {now:%Y-%m-%d %H%M%S}")]
    )
    usage = _key_usage(signs=True)
    own = x509.SubjectKeyIdentifier.from_public_key(key.public_key())
    made = (
        _draft(subject, subject, key.public_key(), now, CA_LIVES)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(usage, critical=True)
        .add_extension(own, critical=False)
        .sign(key, hashes.SHA256())
    )
    _keep(folder / CA_KEY, _pem(key), PRIVATE)
    _keep(folder / CA_FILE, made.public_bytes(serialization.Encoding.PEM), PUBLIC)
    return made, key, True


def _make_server(
    folder: Path,
    names: Sequence[str],
    authority: x509.Certificate,
    signer: ec.EllipticCurvePrivateKey,
    now: datetime,
) -> x509.Certificate:
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Boothglass")])
    made = (
        _draft(subject, authority.subject, key.public_key(), now, CERTIFICATE_LIVES)
        .add_extension(
            x509.SubjectAlternativeName([_general(name) for name in names]), critical=False
        )
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_key_usage(signs=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(signer.public_key()), critical=False
        )
        .sign(signer, hashes.SHA256())
    )
    _keep(folder / SERVER_KEY, _pem(key), PRIVATE)
    _keep(folder / SERVER_FILE, made.public_bytes(serialization.Encoding.PEM), PUBLIC)
    return made


def _draft(
    subject: x509.Name,
    issuer: x509.Name,
    key: ec.EllipticCurvePublicKey,
    now: datetime,
    lives: timedelta,
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key)
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - CLOCKS_DIFFER)
        .not_valid_after(now - CLOCKS_DIFFER + lives)
    )


def _key_usage(*, signs: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not signs,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=signs,
        crl_sign=signs,
        encipher_only=False,
        decipher_only=False,
    )


def _name(text: str) -> str:
    name = text.strip().lower().rstrip(".")
    try:
        return str(ipaddress.ip_address(name))
    except ValueError:
        if len(name) <= 253 and all(
            re.fullmatch(r"[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?", part) for part in name.split(".")
        ):
            return name
    raise CertificateError(f"--name: {text[:80]!r} is neither a host name nor an address")


def _general(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)


def _names_in(certificate: x509.Certificate) -> list[str]:
    try:
        found = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName)
    except x509.ExtensionNotFound:
        return []
    return [str(one.value) for one in found.value]


def _certificate(file: Path) -> x509.Certificate | None:
    try:
        return x509.load_pem_x509_certificate(file.read_bytes())
    except FileNotFoundError:
        return None
    except ValueError as error:
        raise CertificateError(f"{file}: is no certificate; move it away to begin anew") from error


def _pem(key: ec.EllipticCurvePrivateKey) -> bytes:
    return key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )


def _keep(file: Path, data: bytes, mode: int) -> None:
    """Write a file at once or not at all; what is private is so from its first byte on."""
    draft = file.with_name(f".{file.name}.new")
    draft.unlink(missing_ok=True)
    made = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
    with os.fdopen(made, "wb") as out:
        os.fchmod(made, mode)
        out.write(data)
        out.flush()
        os.fsync(made)
    draft.replace(file)


def _missing(folder: Path) -> str:
    return f"{folder}: holds no certificates; make them with `boothglass certificates {folder}`"
