"""A browser's side of web push, written from RFC 8291 and RFC 8188 on plain cryptography."""

from __future__ import annotations

import base64
import struct

from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat


def raw(text: str) -> bytes:
    return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))


def text(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).decode().rstrip("=")


def point(key: ec.EllipticCurvePublicKey) -> bytes:
    return key.public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)


def hkdf(salt: bytes, secret: bytes, info: bytes, length: int) -> bytes:
    return HKDF(hashes.SHA256(), length, salt, info).derive(secret)


class Browser:
    """A subscription: the keys of RFC 8291, section 2, and how a message to it is read."""

    def __init__(self, private: ec.EllipticCurvePrivateKey, auth: bytes) -> None:
        self.private, self.auth = private, auth

    @property
    def keys(self) -> dict[str, str]:
        return {"p256dh": text(point(self.private.public_key())), "auth": text(self.auth)}

    def read(self, body: bytes) -> bytes:
        salt, (size, key_length) = body[:16], struct.unpack("!IB", body[16:21])
        sender, sealed = body[21 : 21 + key_length], body[21 + key_length :]
        assert len(sealed) <= size, "one record only"
        theirs = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), sender)
        shared = self.private.exchange(ec.ECDH(), theirs)
        info = b"WebPush: info\0" + point(self.private.public_key()) + sender
        material = hkdf(self.auth, shared, info, 32)
        key = hkdf(salt, material, b"Content-Encoding: aes128gcm\0", 16)
        nonce = hkdf(salt, material, b"Content-Encoding: nonce\0", 12)
        padded = AESGCM(key).decrypt(nonce, sealed, None).rstrip(b"\0")
        assert padded.endswith(b"\x02"), "the last record ends with 2"
        return padded[:-1]
