"""Certificate authority of the rig, so that a phone has a secure page without the internet.

The authority may sign only for this machine's names and for private addresses (RFC 5280 4.2.1.10).
So whoever steals its key still cannot imitate any other site to a phone that trusts it. The key
never leaves its folder, which only the owner can read.
"""

from __future__ import annotations

import contextlib
import ipaddress
import os
import socket
import ssl
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from evenwall.errors import InputError
from evenwall.model.untrusted import set_aside

AUTHORITY_LIFE = timedelta(days=3650)
# Phones refuse certificates that last longer, even from a private authority: 398 days, as for
# public ones (CA/Browser Forum Baseline Requirements 6.3.2, from memory).
SERVER_LIFE = timedelta(days=365)
RENEW_BEFORE = timedelta(days=30)
BACKDATED = timedelta(days=1)  # a phone's clock may be slow
# RFC 1918, RFC 3927, RFC 4193, RFC 4291: addresses that no public site can have.
PRIVATE = (
    "127.0.0.0/8", "10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "169.254.0.0/16",
    "::1/128", "fc00::/7", "fe80::/10",
)  # fmt: skip
# Raised for a damaged certificate or key, when it is read or when one of its parts is asked for.
_UNREADABLE = (
    OSError,  # ssl.SSLError is one
    ValueError,
    TypeError,
    InvalidSignature,
    UnsupportedAlgorithm,
    x509.InvalidVersion,
    x509.ExtensionNotFound,
    x509.DuplicateExtension,
    x509.UnsupportedGeneralNameType,
)


@dataclass(frozen=True)
class Files:
    """Paths of the authority and of the panel's certificate."""

    folder: Path

    @property
    def authority(self) -> Path:
        return self.folder / "authority.pem"

    @property
    def authority_key(self) -> Path:
        return self.folder / "authority.key"

    @property
    def server(self) -> Path:
        return self.folder / "server.pem"

    @property
    def server_key(self) -> Path:
        return self.folder / "server.key"


def own_names(host: str, address: str) -> tuple[str, ...]:
    """Return the names and addresses by which a phone may reach this panel."""
    machine = socket.gethostname().split(".")[0].lower()
    found = ["localhost", "127.0.0.1", "::1", machine, f"{machine}.local", address]
    if host not in {"0.0.0.0", "::"}:
        found.append(host)
    return tuple(dict.fromkeys(found))


def certify(files: Files, names: tuple[str, ...], now: datetime) -> bool:
    """Make or renew certificates that are missing, too old, or for other names.

    Returns whether any is new. Raises InputError if the folder cannot be written.
    """
    try:
        files.folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        made = _authority(files, names, now)
        return _server(files, names, now) or made
    except OSError as error:
        raise InputError("--tls", files.folder, error.strerror or "cannot be written") from None


def fingerprint(files: Files) -> str:
    """SHA-256 of the authority's certificate, in pairs, to compare with what the phone shows."""
    digest = _read(files.authority).fingerprint(hashes.SHA256()).hex().upper()
    return ":".join(digest[k : k + 2] for k in range(0, len(digest), 2))


def _read(path: Path) -> x509.Certificate:
    return x509.load_pem_x509_certificate(path.read_bytes())


def _read_key(path: Path) -> ec.EllipticCurvePrivateKey:
    key = serialization.load_pem_private_key(path.read_bytes(), None)
    if not isinstance(key, ec.EllipticCurvePrivateKey):
        raise ValueError("the key is not on an elliptic curve")
    return key


@dataclass(frozen=True)
class _Pair:
    """A certificate, its key, and the names that it is for: permitted below it, or its own."""

    certificate: x509.Certificate
    key: ec.EllipticCurvePrivateKey
    names: list[object]


def _pair(cert_path: Path, key_path: Path, issuer_path: Path) -> _Pair:
    """Read a certificate and its key whole. Raises one of _UNREADABLE."""
    certificate, key, issuer = _read(cert_path), _read_key(key_path), _read(issuer_path)
    if certificate.public_key() != key.public_key():
        raise ValueError("the key belongs to another certificate")
    certificate.verify_directly_issued_by(issuer)
    # The server's file holds the whole chain: see whether it will be accepted.
    ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(cert_path, key_path)
    if cert_path == issuer_path:
        allowed = certificate.extensions.get_extension_for_class(x509.NameConstraints).value
        return _Pair(certificate, key, [tree.value for tree in allowed.permitted_subtrees or ()])
    own = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    return _Pair(certificate, key, list(own))


def _good(cert_path: Path, key_path: Path, issuer_path: Path, now: datetime) -> _Pair | None:
    """Return a certificate and its key if both can be read, match and last long enough.

    What is damaged is set aside.
    """
    there = [path for path in (cert_path, key_path) if os.path.lexists(path)]
    try:
        found = _pair(cert_path, key_path, issuer_path)
    except _UNREADABLE:
        for path in there if len(there) == 2 else ():
            with contextlib.suppress(OSError):
                set_aside(path)
        return None
    return found if found.certificate.not_valid_after_utc - now > RENEW_BEFORE else None


def usable(files: Files, now: datetime) -> bool:
    """Return whether the server's present certificate can be used today if no other can be
    written."""
    try:
        found = _pair(files.server, files.server_key, files.authority)
    except _UNREADABLE:
        return False
    return found.certificate.not_valid_after_utc > now


def damaged(files: Files) -> set[str]:
    """Return the names of files that were set aside."""
    with contextlib.suppress(OSError):
        return {name for name in os.listdir(files.folder) if ".damaged-" in name}
    return set()


def _general(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)


def _host_names(names: tuple[str, ...]) -> list[str]:
    return [name for name in names if isinstance(_general(name), x509.DNSName)]


def _authority(files: Files, names: tuple[str, ...], now: datetime) -> bool:
    found = _good(files.authority, files.authority_key, files.authority, now)
    if found is not None and set(_host_names(names)) <= set(found.names):
        return False
    key = ec.generate_private_key(ec.SECP256R1())
    who = x509.Name(
        [
            x509.NameAttribute(NameOID.COMMON_NAME, f"Evenwall at {_host_names(names)[1]}"[:64]),
            x509.NameAttribute(NameOID.ORGANIZATION_NAME, "Evenwall, this workshop only"),
        ]
    )
    permitted: list[x509.GeneralName] = [x509.DNSName(name) for name in _host_names(names)]
    permitted += [x509.IPAddress(ipaddress.ip_network(net)) for net in PRIVATE]
    certificate = (
        _begun(who, who, key, now, AUTHORITY_LIFE)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(signs=True), critical=True)
        .add_extension(x509.NameConstraints(permitted, None), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(key, hashes.SHA256())
    )
    _write(files.authority_key, _key_pem(key))
    _write(files.authority, certificate.public_bytes(serialization.Encoding.PEM))
    files.server.unlink(missing_ok=True)  # signed by the previous authority
    return True


def _server(files: Files, names: tuple[str, ...], now: datetime) -> bool:
    found = _good(files.server, files.server_key, files.authority, now)
    wanted = [_general(name) for name in names]
    if found is not None and found.names == wanted:
        return False
    authority, signing = _read(files.authority), _read_key(files.authority_key)
    key = ec.generate_private_key(ec.SECP256R1())
    who = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, _host_names(names)[1][:64])])
    life = min(SERVER_LIFE, authority.not_valid_after_utc - now)
    certificate = (
        _begun(who, authority.subject, key, now, life)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(signs=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(x509.SubjectAlternativeName(wanted), critical=False)
        .add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(signing.public_key()), critical=False
        )
        .sign(signing, hashes.SHA256())
    )
    chain = certificate.public_bytes(serialization.Encoding.PEM) + files.authority.read_bytes()
    _write(files.server_key, _key_pem(key))
    _write(files.server, chain)
    return True


def _begun(
    who: x509.Name,
    issuer: x509.Name,
    key: ec.EllipticCurvePrivateKey,
    now: datetime,
    life: timedelta,
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(who)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - BACKDATED)
        .not_valid_after(now + life)
    )


def _usage(*, signs: bool) -> x509.KeyUsage:
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


def _key_pem(key: ec.EllipticCurvePrivateKey) -> bytes:
    return key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )


def _write(path: Path, content: bytes) -> None:
    """Write a file completely or not at all, readable by its owner only."""
    fresh = path.with_suffix(".new")
    if path.is_dir():
        set_aside(path)
    descriptor = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(descriptor, "wb") as file:
        file.write(content)
    fresh.replace(path)
