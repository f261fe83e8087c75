"""Web Push: a message encrypted for one phone, and the rig's signature.

The push service sees neither the text nor the person it is for (RFC 8291 over RFC 8188). It
identifies the rig by a signed token alone (VAPID, RFC 8292).
"""

from __future__ import annotations

import contextlib
import json
import os
from base64 import urlsafe_b64decode, urlsafe_b64encode
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec, utils
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

RECORD_bytes = 4096  # RFC 8291 section 4: one record, and no larger
MOST_bytes = 3900  # of the message itself
TOKEN_LIFE_s = 12 * 3600  # RFC 8292 section 2 allows 24 h
POINT_bytes, SECRET_bytes = 65, 16


def b64(data: bytes) -> str:
    """Base 64 for URLs, without padding (RFC 7515, appendix C)."""
    return urlsafe_b64encode(data).decode("ascii").rstrip("=")


def unb64(text: str) -> bytes:
    """The bytes of `b64`. Raises ValueError."""
    return urlsafe_b64decode(text + "=" * (-len(text) % 4))


def public_bytes(key: ec.EllipticCurvePublicKey) -> bytes:
    """A point as it is sent: uncompressed, 65 bytes."""
    return key.public_bytes(
        serialization.Encoding.X962, serialization.PublicFormat.UncompressedPoint
    )


def _derived(secret: bytes, salt: bytes, info: bytes, length: int) -> bytes:
    return HKDF(hashes.SHA256(), length, salt, info).derive(secret)


def encrypt(
    message: bytes,
    phone: bytes,
    secret: bytes,
    *,
    key: ec.EllipticCurvePrivateKey | None = None,
    salt: bytes | None = None,
) -> bytes:
    """Return the body of a push message for one phone.

    phone: its public key, 65 bytes. secret: its authentication secret, 16 bytes. key and salt:
    new for each message, given only in tests. Raises ValueError for an invalid key.
    """
    if len(message) > MOST_bytes:
        raise ValueError(f"a message has at most {MOST_bytes} bytes")
    key = key or ec.generate_private_key(ec.SECP256R1())
    salt = salt or os.urandom(16)
    theirs = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), phone)
    ours = public_bytes(key.public_key())
    shared = key.exchange(ec.ECDH(), theirs)
    material = _derived(shared, secret, b"WebPush: info\0" + phone + ours, 32)
    content_key = _derived(material, salt, b"Content-Encoding: aes128gcm\0", 16)
    nonce = _derived(material, salt, b"Content-Encoding: nonce\0", 12)
    sealed = AESGCM(content_key).encrypt(nonce, message + b"\x02", None)
    header = salt + RECORD_bytes.to_bytes(4, "big") + bytes([len(ours)]) + ours
    return header + sealed


@dataclass(frozen=True)
class Signer:
    """The rig's own key towards push services."""

    key: ec.EllipticCurvePrivateKey

    @classmethod
    def kept(cls, path: Path | None) -> Signer:
        """Return the key in a file, which is made if absent; None: a key for this process only.

        If the file cannot be read, a new key is made. If it cannot be written, each start makes a
        new key. Phones then subscribe again when they open the page.
        """
        if path is not None:
            try:
                found = serialization.load_pem_private_key(path.read_bytes(), None)
            except (OSError, ValueError, TypeError, UnsupportedAlgorithm):
                found = None
            if isinstance(found, ec.EllipticCurvePrivateKey):
                return cls(found)
        key = ec.generate_private_key(ec.SECP256R1())
        if path is not None:
            pem = key.private_bytes(
                serialization.Encoding.PEM,
                serialization.PrivateFormat.PKCS8,
                serialization.NoEncryption(),
            )
            with contextlib.suppress(OSError):  # the disk refuses: for this process only
                path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
                how = os.O_WRONLY | os.O_CREAT | os.O_TRUNC
                with os.fdopen(os.open(path, how, 0o600), "wb") as to:
                    to.write(pem)
        return cls(key)

    @property
    def public(self) -> str:
        """Key with which a page subscribes."""
        return b64(public_bytes(self.key.public_key()))

    def authorization(self, endpoint: str, now_unix_s: float, contact: str = "") -> str:
        """Header that identifies the sender to a push service, for one origin and half a day."""
        parts = urlsplit(endpoint)
        claims: dict[str, object] = {
            "aud": f"{parts.scheme}://{parts.netloc}",
            "exp": int(now_unix_s) + TOKEN_LIFE_s,
        }
        if contact:
            claims["sub"] = contact
        signed = ".".join(
            b64(json.dumps(part, separators=(",", ":")).encode())
            for part in ({"typ": "JWT", "alg": "ES256"}, claims)
        )
        r, s = utils.decode_dss_signature(self.key.sign(signed.encode(), ec.ECDSA(hashes.SHA256())))
        signature = r.to_bytes(32, "big") + s.to_bytes(32, "big")  # RFC 7518 section 3.4
        return f"vapid t={signed}.{b64(signature)}, k={self.public}"
