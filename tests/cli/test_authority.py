"""The rig's own certificate authority: the certificates it signs, their life, and the clients that
trust it."""

from __future__ import annotations

import ssl
import stat
import urllib.request
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography import x509

from evenwall.cli import authority
from evenwall.cli.authority import (
    RENEW_BEFORE,
    SERVER_LIFE,
    Files,
    certify,
    fingerprint,
    own_names,
)
from evenwall.cli.panel import check_certificate, trust_words, with_authority
from evenwall_bridge.clock import SystemClock
from evenwall_web.settings import Settings
from tests.web.server import PanelServer

NOW = datetime(2026, 11, 30, 12, 0, tzinfo=UTC)
NAMES = own_names("0.0.0.0", "192.168.7.5")


@pytest.fixture
def files(tmp_path: Path) -> Files:
    made = Files(tmp_path / "tls")
    assert certify(made, NAMES, NOW)
    return made


def server_cert(files: Files) -> x509.Certificate:
    return x509.load_pem_x509_certificate(files.server.read_bytes())


def test_it_is_made_once_and_kept(files: Files) -> None:
    before = files.server.read_bytes(), files.authority.read_bytes()
    assert not certify(files, NAMES, NOW + timedelta(days=100))
    assert (files.server.read_bytes(), files.authority.read_bytes()) == before


def test_it_renews_in_time_below_the_same_authority(files: Files) -> None:
    trusted = fingerprint(files)
    later = NOW + SERVER_LIFE - RENEW_BEFORE + timedelta(hours=1)
    assert certify(files, NAMES, later)
    assert server_cert(files).not_valid_after_utc > later + timedelta(days=300)
    assert fingerprint(files) == trusted  # no phone has to be asked again


def test_another_address_gets_another_certificate_below_the_same_authority(files: Files) -> None:
    trusted = fingerprint(files)
    assert certify(files, own_names("0.0.0.0", "192.168.7.99"), NOW)
    names = server_cert(files).extensions.get_extension_for_class(x509.SubjectAlternativeName)
    assert "192.168.7.99" in [str(ip) for ip in names.value.get_values_for_type(x509.IPAddress)]
    assert fingerprint(files) == trusted


@pytest.mark.parametrize("spoilt", ["server", "server_key", "authority", "authority_key"])
def test_a_spoilt_file_is_made_again(files: Files, spoilt: str) -> None:
    path: Path = getattr(files, spoilt)
    path.write_bytes(b"half a file")
    assert certify(files, NAMES, NOW)
    settings = replace(Settings(), tls_cert=files.server, tls_key=files.server_key)
    check_certificate(settings)


def test_the_keys_are_for_their_owner_alone(files: Files) -> None:
    for path in (files.authority_key, files.server_key):
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(files.folder.stat().st_mode) == 0o700


def test_the_authority_may_sign_for_this_machine_and_private_addresses_alone(files: Files) -> None:
    authority = x509.load_pem_x509_certificate(files.authority.read_bytes())
    limits = authority.extensions.get_extension_for_class(x509.NameConstraints)
    assert limits.critical
    allowed = [str(tree.value) for tree in limits.value.permitted_subtrees or ()]
    assert "localhost" in allowed
    assert not any(name in ("", "com", "0.0.0.0/0") for name in allowed)


def test_who_trusts_the_authority_reaches_the_panel_and_who_does_not_is_warned(
    tmp_path: Path,
) -> None:
    """Tested with the system's own TLS library, over loopback."""
    settings = with_authority(Settings(host="localhost"), tmp_path / "tls")
    with PanelServer(settings=settings) as panel:
        assert panel.url.startswith("https://localhost:")
        trusting = ssl.create_default_context(cafile=str(settings.tls_authority))
        with urllib.request.urlopen(f"{panel.url}/trust", context=trusting, timeout=10) as answer:
            page = answer.read().decode()
        words = trust_words(settings)
        for row in words.splitlines()[1:]:
            assert row.strip() in page
        link = f"{panel.url}/trust/evenwall-authority.crt"
        with urllib.request.urlopen(link, context=trusting, timeout=10) as answer:
            fetched = x509.load_der_x509_certificate(answer.read())
        assert fetched == x509.load_pem_x509_certificate(settings.tls_authority.read_bytes())
        with pytest.raises(urllib.error.URLError, match="CERTIFICATE_VERIFY_FAILED"):
            urllib.request.urlopen(panel.url, timeout=10)


def spoil(path: Path, how: str) -> None:
    content = bytearray(path.read_bytes())
    if how == "folder":
        path.unlink()
        path.mkdir()
        return
    if how == "half":
        content = content[: len(content) // 2]
    if how == "empty":
        content = bytearray()
    if how.isdigit():  # a letter of the base 64 inside, so that the DER beneath differs
        at = 60 + int(how) * (len(content) - 120) // 8
        content[at] = ord("B") if content[at] == ord("A") else ord("A")
    path.write_bytes(content)


@pytest.mark.parametrize("name", ["authority", "authority_key", "server", "server_key"])
@pytest.mark.parametrize("how", ["folder", "half", "empty", *map(str, range(8))])
def test_a_damaged_file_is_set_aside_and_the_panel_has_a_certificate(
    name: str, how: str, tmp_path: Path
) -> None:
    files = Files(tmp_path / "tls")
    with_authority(Settings(), files.folder)
    spoil(getattr(files, name), how)
    found = with_authority(Settings(), files.folder)
    check_certificate(found)
    assert trust_words(found)
    assert ssl.create_default_context(cafile=files.authority).get_ca_certs()
    if files.server.read_bytes():  # a line end's change alone may leave the meaning as it was
        assert "damaged" in found.tls_trouble or not list(files.folder.glob("*.damaged-*"))
    assert with_authority(Settings(), files.folder).tls_trouble == ""  # it was told once


def refuse(monkeypatch: pytest.MonkeyPatch, folder: Path) -> None:
    """Let no file of this folder be written."""
    real = authority._write

    def write(path: Path, content: bytes) -> None:
        if path.parent == folder:
            raise OSError(28, "No space left on device")
        real(path, content)

    monkeypatch.setattr(authority, "_write", write)


def test_a_disk_that_is_full_keeps_no_panel_from_its_certificate(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "tls"
    refuse(monkeypatch, folder)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    found = with_authority(Settings(), folder)
    check_certificate(found)
    assert "No space left on device" in found.tls_trouble
    assert "for this run alone" in found.tls_trouble


def test_a_certificate_that_cannot_be_renewed_serves_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It has three weeks left and the disk is full: no phone is asked to trust another."""
    files = Files(tmp_path / "tls")
    with_authority(Settings(), files.folder)
    left = server_cert(files).not_valid_after_utc - timedelta(days=21)
    before = files.server.read_bytes()
    refuse(monkeypatch, files.folder)
    monkeypatch.setattr(SystemClock, "utc", lambda _: left)
    found = with_authority(Settings(), files.folder)
    assert found.tls_cert == files.server
    assert files.server.read_bytes() == before
    assert "No space left on device" in found.tls_trouble


def test_a_trouble_with_the_certificate_stands_on_the_page(tmp_path: Path) -> None:
    files = Files(tmp_path / "tls")
    with_authority(Settings(), files.folder)
    files.server.write_bytes(b"")
    with PanelServer(settings=with_authority(Settings(), files.folder)) as panel:
        said = panel.call(lambda: panel.rig.supervisor.notices["tls"])
    assert "server.pem.damaged-1" in said
