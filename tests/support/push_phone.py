"""A phone's half of Web Push: its keys, and how it opens a message (RFC 8291, RFC 8188)."""

from __future__ import annotations

import os
from dataclasses import dataclass, field

from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from evenwall_web.web_push import public_bytes


def _fresh() -> ec.EllipticCurvePrivateKey:
    return ec.generate_private_key(ec.SECP256R1())


@dataclass
class PushPhone:
    """Keys that only the phone has."""

    key: ec.EllipticCurvePrivateKey = field(default_factory=_fresh)
    secret: bytes = field(default_factory=lambda: os.urandom(16))

    @property
    def public(self) -> bytes:
        return public_bytes(self.key.public_key())

    def open(self, body: bytes) -> bytes:
        """The message of a push."""
        salt, sender, sealed = body[:16], body[21:86], body[86:]
        theirs = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), sender)
        shared = self.key.exchange(ec.ECDH(), theirs)
        material = _hkdf(shared, self.secret, b"WebPush: info\0" + self.public + sender, 32)
        key = _hkdf(material, salt, b"Content-Encoding: aes128gcm\0", 16)
        nonce = _hkdf(material, salt, b"Content-Encoding: nonce\0", 12)
        return AESGCM(key).decrypt(nonce, sealed, None).rstrip(b"\0")[:-1]


def _hkdf(secret: bytes, salt: bytes, info: bytes, length: int) -> bytes:
    return HKDF(hashes.SHA256(), length, salt, info).derive(secret)
