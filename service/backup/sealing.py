"""Back-ups encrypted in the age format, to a public key whose secret half lies elsewhere."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from service.backup.errors import BackupError

__all__ = ["check_recipient", "decrypt", "encrypt"]


def check_recipient(recipient: str) -> None:
    """Raise BackupError where this is no age public key."""
    age = _age()
    try:
        age.x25519.Recipient.from_str(recipient)
    except age.RecipientError as error:
        raise BackupError(f"{recipient!r} is no age public key (age1...): {error}") from error


def encrypt(source: Path, target: Path, recipient: str) -> None:
    """Encrypt a file to an age public key; raises BackupError."""
    check_recipient(recipient)
    age = _age()
    key = age.x25519.Recipient.from_str(recipient)
    age.encrypt_file(str(source), str(target), [key])


def decrypt(source: Path, target: Path, identity: Path | None) -> None:
    """Decrypt a file with the age keys in another; raises BackupError."""
    if identity is None:
        raise BackupError("the back-up is encrypted: name the file with its age key, --identity")
    age = _age()
    try:
        lines = identity.read_text(encoding="utf-8").splitlines()
        keys = [
            age.x25519.Identity.from_str(line.strip())
            for line in lines
            if line.strip().startswith("AGE-SECRET-KEY-")
        ]
    except (OSError, UnicodeError, age.IdentityError) as error:
        raise BackupError(f"--identity: {identity} holds no age key: {error}") from error
    if not keys:
        raise BackupError(f"--identity: {identity} holds no age key (AGE-SECRET-KEY-...)")
    try:
        age.decrypt_file(str(source), str(target), keys)
    except age.DecryptError as error:
        raise BackupError(f"{source.name} cannot be opened with that key: {error}") from error


def _age() -> Any:
    try:
        import pyrage
    except ImportError as error:
        raise BackupError("encryption needs the extra: pip install 'boothglass[backup]'") from error
    return pyrage
