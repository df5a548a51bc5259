"""The shop's own authority: what it makes, checked by openssl and by TLS itself."""

from __future__ import annotations

import os
import ssl
import stat
import subprocess
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509
from equipment import command

from service.certificates import (
    CERTIFICATE_LIVES,
    RENEW_BEFORE,
    CertificateError,
    fingerprint,
    renew,
    renew_in_time,
    server_context,
    valid_until,
)

NOW = datetime.now(UTC).replace(microsecond=0)
NAMES = ["shop.local", "192.168.1.20"]


def openssl(*arguments: str) -> str:
    done = subprocess.run(
        [command("openssl"), *arguments], capture_output=True, text=True, check=False
    )
    return done.stdout + done.stderr


def test_openssl_takes_the_certificate_for_its_names(tmp_path: Path) -> None:
    made = renew(tmp_path, NAMES, NOW)
    assert made.new_authority
    assert made.new_server
    ca, server = str(tmp_path / "ca.crt"), str(tmp_path / "server.crt")
    for how in (["-verify_hostname", "shop.local"], ["-verify_ip", "192.168.1.20"],
                ["-verify_hostname", "localhost"], ["-verify_ip", "127.0.0.1"]):  # fmt: skip
        strictly = ["-x509_strict", "-purpose", "sslserver", "-CAfile", ca, *how]
        said = openssl("verify", *strictly, server)
        assert ": OK" in said, said
    for how in (["-verify_hostname", "other.local"], ["-verify_ip", "192.168.1.21"]):
        assert ": OK" not in openssl("verify", "-CAfile", ca, *how, server)
    printed = openssl("x509", "-in", ca, "-noout", "-fingerprint", "-sha256")
    assert printed.strip().split("=")[1].replace(":", "") == made.fingerprint


def test_keys_are_for_their_owner_only(tmp_path: Path) -> None:
    folder = tmp_path / "certificates"
    before = os.umask(0)
    try:
        renew(folder, NAMES, NOW)
    finally:
        os.umask(before)
    modes = {file.name: stat.S_IMODE(file.stat().st_mode) for file in folder.iterdir()}
    assert modes == {"ca.crt": 0o644, "ca.key": 0o600, "server.crt": 0o644, "server.key": 0o600}
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700


def test_a_renewal_leaves_the_authority_as_it_is(tmp_path: Path) -> None:
    first = renew(tmp_path, NAMES, NOW)
    assert not renew(tmp_path, NAMES, NOW).new_server  # nothing is due
    assert renew(tmp_path, NAMES, NOW, anew=True).new_server
    assert renew(tmp_path, [*NAMES, "other.local"], NOW).new_server
    late = NOW + CERTIFICATE_LIVES - RENEW_BEFORE
    assert renew_in_time(tmp_path, late)
    assert not renew_in_time(tmp_path, late)
    assert valid_until(tmp_path) > late + RENEW_BEFORE
    assert fingerprint(tmp_path) == first.fingerprint
    names = x509.load_pem_x509_certificate((tmp_path / "server.crt").read_bytes()).extensions
    found = names.get_extension_for_class(x509.SubjectAlternativeName).value
    assert "other.local" in found.get_values_for_type(x509.DNSName)


def test_an_authority_that_runs_out_is_made_anew(tmp_path: Path) -> None:
    first = renew(tmp_path, NAMES, NOW)
    again = renew(tmp_path, NAMES, NOW + timedelta(days=3650 - 300))
    assert again.new_authority
    assert again.new_server
    assert again.fingerprint != first.fingerprint


def test_half_an_authority_is_told_and_never_replaced(tmp_path: Path) -> None:
    renew(tmp_path, NAMES, NOW)
    (tmp_path / "ca.key").unlink()
    with pytest.raises(CertificateError, match=r"only one of ca\.crt and ca\.key"):
        renew(tmp_path, NAMES, NOW)
    assert not renew_in_time(tmp_path, NOW + CERTIFICATE_LIVES)
    (tmp_path / "ca.crt").write_text("rubbish")
    with pytest.raises(CertificateError, match=r"ca\.crt: is no certificate"):
        renew(tmp_path, NAMES, NOW)


@pytest.mark.parametrize("name", ["", "a b", "-x", "*.local", "x" * 300, "http://shop"])
def test_a_name_that_cannot_be_is_named(tmp_path: Path, name: str) -> None:
    with pytest.raises(CertificateError, match="--name"):
        renew(tmp_path, [name], NOW)


def test_missing_certificates_are_told_with_the_command(tmp_path: Path) -> None:
    with pytest.raises(CertificateError, match="boothglass certificates"):
        server_context(tmp_path)
    renew(tmp_path, NAMES, NOW)
    assert server_context(tmp_path).minimum_version == ssl.TLSVersion.TLSv1_2
