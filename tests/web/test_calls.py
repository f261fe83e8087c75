"""Calls to locked phones: the message by its standard, the rig's signature, and whom it reaches."""

from __future__ import annotations

import asyncio
import contextlib
import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, utils

from evenwall.cli.calling import by_push, by_webhook
from evenwall.errors import InputError
from evenwall_bridge.clock import ManualClock
from evenwall_web import sending
from evenwall_web.phones import Phone, Phones
from evenwall_web.sending import NotSent, check_endpoint, is_public, post, post_abroad
from evenwall_web.web_push import Signer, TOKEN_LIFE_s, b64, encrypt, unb64
from tests.support.push_phone import PushPhone

# RFC 8291, section 5 and appendix A.
WORDS = b"When I grow up, I want to be a watermelon"
SENDER = "yfWPiYE-n46HLnH0KqZOF1fJJU3MYrct3AELtAQ-oRw"
RECEIVER = "q1dXpw3UpT5VOmu_cf_v6ih07Aems3njxI-JWgLcM94"
RECEIVER_PUBLIC = (
    "BCVxsr7N_eNgVRqvHtD0zTZsEc6-VV-JvLexhqUzORcxaOzi6-AYWXvTBHm4bjyPjs7Vd8pZGH6SRpkNtoIAiw4"
)
SALT, SECRET = "DGv6ra1nlYgDCS1FRnbzlw", "BTBZMqHH6r4Tts7J_aSIgg"
BODY = (
    "DGv6ra1nlYgDCS1FRnbzlwAAEABBBP4z9KsN6nGRTbVYI_c7VJSPQTBtkgcy27mlmlMoZIIgDll6e3vCYLocInmYWAmS"
    "6TlzAC8wEqKK6PBru3jl7A_yl95bQpu6cVPTpK4Mqgkf1CXztLVBSt2Ks3oZwbuwXPXLWyouBWLVWGNWQexSgSxsj_Qu"
    "lcy4a-fN"
)


def private(text: str) -> ec.EllipticCurvePrivateKey:
    return ec.derive_private_key(int.from_bytes(unb64(text), "big"), ec.SECP256R1())


def test_a_message_is_the_standards_own_example_byte_for_byte() -> None:
    body = encrypt(
        WORDS, unb64(RECEIVER_PUBLIC), unb64(SECRET), key=private(SENDER), salt=unb64(SALT)
    )
    assert b64(body) == BODY
    assert PushPhone(private(RECEIVER), unb64(SECRET)).open(body) == WORDS


def test_no_two_messages_share_their_key_or_salt() -> None:
    phone = PushPhone()
    one, two = (encrypt(WORDS, phone.public, phone.secret) for _ in range(2))
    assert one[:16] != two[:16]
    assert one[21:86] != two[21:86]


def test_the_rigs_signature_is_for_one_origin_and_half_a_day(tmp_path: Path) -> None:
    """RFC 8292 section 2, checked with the public key that the header carries."""
    signer = Signer.kept(tmp_path / "push.key")
    header = signer.authorization("https://push.example.org/x/1", 1000.0, "mailto:me@example.org")
    token, key = header.removeprefix("vapid t=").split(", k=")
    head, claims, signature = token.split(".")
    raw = unb64(signature)
    theirs = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), unb64(key))
    der = utils.encode_dss_signature(*(int.from_bytes(raw[k : k + 32], "big") for k in (0, 32)))
    theirs.verify(der, f"{head}.{claims}".encode(), ec.ECDSA(hashes.SHA256()))
    assert json.loads(unb64(head)) == {"typ": "JWT", "alg": "ES256"}
    assert json.loads(unb64(claims)) == {
        "aud": "https://push.example.org",
        "exp": 1000 + TOKEN_LIFE_s,
        "sub": "mailto:me@example.org",
    }
    assert Signer.kept(tmp_path / "push.key").public == signer.public  # the same after a restart


@pytest.mark.parametrize(
    "endpoint",
    [
        "http://push.example.org/1",
        "https://127.0.0.1/1",
        "https://192.168.7.1/admin",
        "https://[::1]/1",
        "https://localhost/1",
        "https://router.local/1",
        "ftp://push.example.org/1",
        "nonsense",
        "https://[",
        "https://push.example.org:99999/1",
        "https://me@push.example.org/1",
        "https://push.example.org/a b",
        "https://push.\u00e9xample.org/1",
        "https://127.1/1",
        "https://0x7f.1/1",
        "https://2130706433/1",
        "https://127.0.0.1./1",
        "https://localhost./1",
        "https://rig.home.arpa/1",
        "https://[::ffff:192.168.7.1]/1",
        "https://[64:ff9b::c0a8:701]/1",
        "https://[2002:c0a8:701::1]/1",
        "https://[fe80::1%25eth0]/1",
        "https://224.0.0.1/1",
        "https://169.254.169.254/latest",
    ],
)
def test_the_rig_is_not_made_to_knock_inside_its_own_network(endpoint: str) -> None:
    with pytest.raises(InputError, match="push service"):
        check_endpoint(endpoint)


@contextmanager
def service(status: int = 201) -> Iterator[tuple[str, list[tuple[dict[str, str], bytes]]]]:
    """A push service, or a webhook's taker, on loopback."""
    taken: list[tuple[dict[str, str], bytes]] = []

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            taken.append((dict(self.headers.items()), body))
            self.send_response(status)
            if status == 302:
                self.send_header("Location", "http://127.0.0.1:1/")
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            return None

    server = HTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, args=(0.05,))
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/to/phone", taken
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


CALL = {
    "call": "late_pour", "urgency": "act_now", "number": 2, "sentence": "The pour is late.",
    "rig": "Small frame", "run_id": "r",
}  # fmt: skip


def phones_at(endpoint: str, phone: PushPhone, folder: Path | None = None) -> Phones:
    phones = Phones(ManualClock(), folder, loopback=True)
    phones.add(Phone("s1", endpoint, b64(phone.public), b64(phone.secret)))
    assert phones.close()
    return phones


def test_a_call_reaches_a_phone_through_a_push_service_that_cannot_read_it() -> None:
    phone = PushPhone()
    with service() as (endpoint, taken):
        reached = asyncio.run(by_push(phones_at(endpoint, phone))(CALL))
    assert reached == "1 phone"
    headers, body = taken[0]
    assert headers["Content-Encoding"] == "aes128gcm"
    assert headers["Urgency"] == "high"
    assert int(headers["TTL"]) > 0
    assert headers["Authorization"].startswith("vapid t=")
    assert b"pour" not in body
    assert json.loads(phone.open(body)) == {
        "title": "Act now: Small frame",
        "body": "The pour is late.",
        "tag": "late_pour",
        "urgent": True,
    }


@pytest.mark.parametrize("status", [404, 410])
def test_a_phone_that_has_unsubscribed_is_forgotten(status: int, tmp_path: Path) -> None:
    with service(status) as (endpoint, _):
        phones = phones_at(endpoint, PushPhone(), tmp_path)
        with pytest.raises(NotSent, match="unsubscribed"):
            asyncio.run(by_push(phones)(CALL))
    assert len(phones) == 0
    assert phones.close()
    assert len(Phones(ManualClock(), tmp_path)) == 0


def test_phones_are_remembered_over_a_restart_and_forgotten_when_unpaired(tmp_path: Path) -> None:
    with service() as (endpoint, _):
        phones_at(endpoint, PushPhone(), tmp_path)
    again = Phones(ManualClock(), tmp_path)
    assert len(again) == 1
    again.forget("s1")
    assert again.close()
    assert len(Phones(ManualClock(), tmp_path)) == 0


def test_a_webhook_gets_plain_json_and_no_redirect_is_followed() -> None:
    with service() as (url, taken):
        assert asyncio.run(by_webhook(url)(CALL)) == "the webhook"
    assert json.loads(taken[0][1]) == CALL
    with service(302) as (url, _), pytest.raises(NotSent, match="answered 302"):
        asyncio.run(by_webhook(url)(CALL))


def test_a_service_that_is_not_there_is_a_reason_in_words() -> None:
    with pytest.raises(NotSent, match="refused"):
        asyncio.run(post("http://127.0.0.1:1/", {}, b""))


def test_a_name_that_leads_into_this_network_is_not_dialled() -> None:
    """Anybody's name server may say that a name is this machine."""
    with service() as (url, taken):
        inside = url.replace("127.0.0.1", "localhost")
        with pytest.raises(NotSent, match="leads into this network"):
            asyncio.run(post_abroad(inside, {}, b"x"))
        assert asyncio.run(post(inside, {}, b"x")) == 201
    assert len(taken) == 1


@pytest.mark.parametrize(
    ("address", "public"),
    [("1.1.1.1", True), ("2606:4700::1111", True), ("64:ff9b::101:101", True),
     ("10.0.0.1", False), ("100.64.0.1", False), ("0.0.0.0", False), ("::", False),
     ("fd00::1", False), ("::ffff:10.0.0.1", False), ("64:ff9b::a00:1", False)],
)  # fmt: skip
def test_addresses_outside_are_told_from_those_inside(address: str, public: bool) -> None:
    """RFC 1918, 4193, 4291, 6052, 6598."""
    assert is_public(address) is public


@pytest.mark.parametrize(
    ("said", "why"),
    [
        (b"", "not HTTP"),
        (b"220 mail.example.org ready\r\n", "not HTTP"),
        (b"HTTP/1.1 999 x\r\n", "not HTTP"),
        (b"H" * 100_000, "limit"),
        (b"HTTP/1.1 2", "no answer within"),  # and then nothing, without an end
    ],
)
def test_a_service_that_answers_nonsense_or_never_holds_nobody_up(
    said: bytes, why: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sending, "SEND_S", 0.2)

    async def scenario() -> None:
        async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            await reader.readuntil(b"\r\n\r\nx")
            writer.write(said)
            if "within" in why:
                await reader.read()  # until the other end gives up
            writer.close()
            with contextlib.suppress(ConnectionError):
                await writer.wait_closed()
            served.set()

        served = asyncio.Event()
        server = await asyncio.start_server(serve, "127.0.0.1", 0)
        async with server:
            port = server.sockets[0].getsockname()[1]
            with pytest.raises(NotSent, match=why):
                await post(f"http://127.0.0.1:{port}/", {}, b"x")
            await served.wait()

    asyncio.run(scenario())


def test_one_phone_does_not_push_the_others_out() -> None:
    phone, phones = PushPhone(), Phones(ManualClock(), None)
    phones.add(Phone("one", "https://push.example.org/1", b64(phone.public), b64(phone.secret)))
    for n in range(200):
        endpoint = f"https://push.example.org/other/{n}"
        phones.add(Phone("two", endpoint, b64(phone.public), b64(phone.secret)))
    assert len(phones) == 4
    phones.forget("one")
    assert len(phones) == 3
