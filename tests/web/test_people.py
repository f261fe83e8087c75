"""Access: codes, sessions, limits, and every refusal at the door."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest
import trustme

from evenwall.cli.panel import check_certificate
from evenwall.errors import InputError
from evenwall.model import Step
from evenwall.model.orders import ORDERS
from evenwall_bridge.clock import ManualClock
from evenwall_web.app import create_app
from evenwall_web.at_frame import REQUEST_LIFE_s
from evenwall_web.limiter import Limiter
from evenwall_web.people import ALPHABET, Invite, People
from evenwall_web.settings import Settings
from tests.web.rigged import Rigged, open_rigged

LAN = Settings(host="192.168.7.5", port=8713)


class Desk:
    """The panel on a LAN address, one phone that may act, one that may watch, one stranger."""

    def __init__(self, rig: Rigged, settings: Settings) -> None:
        self.rig, self.service, self.clock = rig, rig.service, rig.clock
        self.notices = rig.supervisor.notices
        self.app = create_app(self.service, settings, self.clock)
        self.people: People = self.app.state.people

    def client(self, peer: str = "192.168.7.20", host: str = "192.168.7.5:8713") -> Any:
        transport = httpx.ASGITransport(self.app, client=(peer, 5000))
        return httpx.AsyncClient(transport=transport, base_url=f"http://{host}")

    async def paired(self, role: Any, peer: str = "192.168.7.20") -> Any:
        client = self.client(peer)
        code = self.people.invite(role).code
        answer = await client.post("/api/pair", json={"code": code, "name": role})
        assert answer.status_code == 200
        client.headers["x-evenwall-csrf"] = answer.json()["csrf"]
        return client


@asynccontextmanager
async def open_desk(settings: Settings = LAN) -> AsyncIterator[Desk]:
    async with open_rigged() as rig:
        yield Desk(rig, settings)


def at_desk(test: Callable[[Desk], Coroutine[Any, Any, None]]) -> Callable[[], None]:
    async def one() -> None:
        async with open_desk() as desk:
            await test(desk)

    def run() -> None:
        asyncio.run(one())

    run.__name__ = test.__name__
    return run


def ask(key: str = "key-00000001", **more: Any) -> dict[str, Any]:
    return {"key": key, **more}


DATA: dict[str, dict[str, Any]] = {
    "start": {"job_id": "job-1"},
    "touch": {"what": "cup"},
    "weigh": {"part_a_g": 76.0, "part_b_g": 38.0},
    "note": {"text": "a draught from the door"},
    "answer": {"question": "weights_off", "value": "go_on"},
    "measure": {"weight_g": 331.0},
    "abandon": {"reason": "spilled"},
    "prove": {"run_id": "run-0"},
}


@at_desk
async def test_every_command_is_refused_without_a_session_and_to_a_watcher(desk: Desk) -> None:
    stranger, watcher = desk.client("192.168.7.66"), await desk.paired("watch")
    for name in ORDERS:
        body = ask(data=DATA.get(name, {}))
        assert (await stranger.post(f"/api/command/{name}", json=body)).status_code == 401
        assert (await watcher.post(f"/api/command/{name}", json=body)).status_code == 403
    assert desk.service.commands == []


@at_desk
async def test_a_stranger_on_the_network_reads_nothing(desk: Desk) -> None:
    stranger = desk.client("192.168.7.66")
    for path in ("snapshot", "stream", "curve", "castings", "runs", "sessions", "audit"):
        assert (await stranger.get(f"/api/{path}")).status_code == 401, path
    page = await stranger.get("/")
    assert page.status_code == 200
    assert "small rig" not in page.text
    assert (await stranger.get("/api/session")).json()["role"] == "none"


@at_desk
async def test_reading_on_the_rig_itself_needs_no_pairing_but_acting_does(desk: Desk) -> None:
    app = create_app(desk.service, Settings(), desk.clock)
    transport = httpx.ASGITransport(app, client=("127.0.0.1", 5000))
    async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8713") as local:
        assert (await local.get("/api/snapshot")).status_code == 200
        assert (await local.post("/api/command/next", json=ask())).status_code == 401


@at_desk
async def test_a_code_works_once(desk: Desk) -> None:
    code = desk.people.invite("operate").code
    first = await desk.client().post("/api/pair", json={"code": code.lower(), "name": "bench"})
    again = await desk.client().post("/api/pair", json={"code": code, "name": "thief"})
    assert (first.status_code, again.status_code) == (200, 403)
    cookie = first.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie


@at_desk
async def test_a_code_in_letters_of_any_alphabet_is_a_wrong_code(desk: Desk) -> None:
    desk.people.invite("operate")
    for number, code in enumerate(
        ("\u0431\u0443\u043a\u0432\u0430", "\u202e", "\ufeff", "\U0001f600", "\0")
    ):
        answer = await desk.client(f"192.168.7.{number}").post("/api/pair", json={"code": code})
        assert answer.status_code == 403, code
    half = b'{"code": "\\ud800"}'
    headers = {"content-type": "application/json"}
    answer = await desk.client("192.168.7.9").post("/api/pair", content=half, headers=headers)
    assert answer.status_code in (403, 422)


@at_desk
async def test_a_code_dies_after_its_time(desk: Desk) -> None:
    code = desk.people.invite("operate").code
    await desk.clock.advance(601)
    late = await desk.client().post("/api/pair", json={"code": code})
    assert late.status_code == 403


@at_desk
async def test_a_thousand_wrong_codes_find_nothing_and_are_slowed(desk: Desk) -> None:
    code = desk.people.invite("operate").code
    statuses = []
    for i in range(1000):
        wrong = "".join(ALPHABET[(i * 7 + k * 11) % 32] for k in range(8))
        assert wrong != code
        client = desk.client(f"192.168.7.{i % 200}")
        statuses.append((await client.post("/api/pair", json={"code": wrong})).status_code)
    # No time passes: the common bucket of 20 is all that is ever compared.
    assert statuses.count(403) == 20
    assert statuses.count(429) == 980
    assert desk.people.sessions() == []
    assert desk.service.commands == []
    # An honest phone gets in once the buckets have filled a little.
    await desk.clock.advance(60)
    assert (
        await desk.client("192.168.7.9").post("/api/pair", json={"code": code})
    ).status_code == 200


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"origin": "http://evil.example"}, 403),
        ({"origin": "null"}, 403),
        ({"origin": "http://192.168.7.5:9999"}, 403),
        ({"sec-fetch-site": "cross-site"}, 403),
        ({"sec-fetch-site": "same-site"}, 403),
        ({"host": "evil.example"}, 421),
        ({"host": "192.168.7.5.evil.example"}, 421),
        ({"host": "127.0.0.1:8713"}, 421),  # came in on the LAN address
        ({"host": ""}, 400),
        ({"host": "192.168.7.5:abc"}, 400),
        ({"x-evenwall-csrf": "forged"}, 403),
        ({"x-evenwall-csrf": ""}, 403),
    ],
)
def test_forged_requests_move_nothing(headers: dict[str, str], status: int) -> None:
    async def run() -> None:
        async with open_desk() as desk:
            client = await desk.paired("operate")
            forged = await client.post("/api/command/next", json=ask(), headers=headers)
            assert forged.status_code == status
            assert desk.service.commands == []

    asyncio.run(run())


@at_desk
async def test_our_own_page_is_let_through(desk: Desk) -> None:
    client = await desk.paired("operate")
    own = {"origin": "http://192.168.7.5:8713", "sec-fetch-site": "same-origin"}
    await desk.rig.begin()
    note = ask(data=DATA["note"])
    assert (await client.post("/api/command/note", json=note, headers=own)).status_code == 200


@at_desk
async def test_a_replayed_command_acts_once_and_a_late_one_not_at_all(desk: Desk) -> None:
    client = await desk.paired("operate")
    await desk.rig.begin()
    await desk.rig.ask("tick", all=True)
    await desk.rig.guard(True)
    step = desk.service.snapshot().step_id
    first = await client.post("/api/command/next", json=ask("key-next-01", step_id=step))
    again = await client.post("/api/command/next", json=ask("key-next-01", step_id=step))
    assert first.json()["event_id"] == again.json()["event_id"]
    assert (first.json()["repeated"], again.json()["repeated"]) == (False, True)
    late = await client.post("/api/command/next", json=ask("key-next-02", step_id=step))
    assert late.status_code == 409
    assert "moved on" in late.json()["sentence"]
    assert desk.service.snapshot().step is Step.WEIGH


@at_desk
async def test_two_phones_with_the_same_key_are_two_presses(desk: Desk) -> None:
    one, two = await desk.paired("operate"), await desk.paired("operate", "192.168.7.21")
    await desk.rig.begin()
    for phone in (one, two):
        await phone.post("/api/command/note", json=ask("key-note-1", data={"text": "hello"}))
    assert [c.name for c in desk.service.commands] == ["note", "note"]
    assert {c.who for c in desk.service.commands} == {"operate"}


@at_desk
async def test_a_flood_is_held_back_but_never_a_stop(desk: Desk) -> None:
    client = await desk.paired("operate")
    notes = [
        (
            await client.post(
                "/api/command/note", json=ask(f"key-note-{i:03}", data={"text": "again"})
            )
        ).status_code
        for i in range(60)
    ]
    assert notes.count(429) == 30
    stops = [
        (await client.post("/api/command/stop_turning", json=ask(f"key-stop-{i:03}"))).status_code
        for i in range(60)
    ]
    assert 429 not in stops


@at_desk
async def test_a_revoked_phone_is_out_at_once(desk: Desk) -> None:
    boss, other = await desk.paired("operate"), await desk.paired("operate", "192.168.7.21")
    cards = (await boss.get("/api/sessions")).json()
    victim = next(card for card in cards if not card["this"])
    assert "token" not in json.dumps(cards)
    assert "csrf" not in json.dumps(cards)
    left = await boss.post(f"/api/sessions/{victim['session_id']}/revoke")
    assert [card["this"] for card in left.json()] == [True]
    assert (await other.get("/api/snapshot")).status_code == 401
    assert (await other.post("/api/command/stop_turning", json=ask())).status_code == 401


@at_desk
async def test_the_audit_says_who_pressed_what(desk: Desk) -> None:
    client = await desk.paired("operate")
    await client.post("/api/command/next", json=ask())
    lines = (await client.get("/api/audit")).json()
    assert [(line["what"], line["outcome"]) for line in lines] == [
        ("pair", "paired"),
        ("next", "refused"),
    ]


@at_desk
async def test_refusals_stand_in_the_audit_a_few_of_them(desk: Desk) -> None:
    client = await desk.paired("operate")
    stranger = desk.client("192.168.7.66")
    for _ in range(50):
        assert (await stranger.get("/api/snapshot")).status_code == 401
    rebinding = desk.client("192.168.7.67")
    assert (await rebinding.get("/", headers={"host": "evil.example"})).status_code == 421
    lines = [line for line in (await client.get("/api/audit")).json() if line["who"] == "someone"]
    told = [(line["peer"], line["what"], line["outcome"]) for line in lines]
    assert told[:-1] == [("192.168.7.66", "GET /api/snapshot", "refused with 401")] * 5
    rebound = "refused with 421, and 45 others since the last line"
    assert told[-1] == ("192.168.7.67", "GET /", rebound)


def test_the_audit_keeps_two_files_of_their_size(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("evenwall_web.keeping.LINES_BYTES", 1000)
    people = People(ManualClock(), "http://192.168.7.5:8713/", tmp_path)
    for number in range(100):
        people.note("bench", "operate", "192.168.7.20", f"note {number}", "accepted")
        assert people.close()
    kept = sum(file.stat().st_size for file in tmp_path.glob("audit*.jsonl"))
    assert 1000 < kept < 2500
    newest = (tmp_path / "audit.1.jsonl").read_text() + (tmp_path / "audit.jsonl").read_text()
    assert "note 99" in newest


@at_desk
async def test_every_answer_carries_the_strict_policy(desk: Desk) -> None:
    client = await desk.paired("operate")
    for path in ("/", "/api/snapshot", "/panel/main.js", "/nothing"):
        headers = (await client.get(path)).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert headers["x-content-type-options"] == "nosniff"
    assert (await client.get("/api/snapshot")).headers["cache-control"] == "no-store"


@at_desk
async def test_a_cookie_that_was_planted_is_never_taken_up(desk: Desk) -> None:
    """Session fixation: pairing always makes a token of its own, and the old value is nothing."""
    client = desk.client()
    client.cookies.set("evenwall", "planted-by-somebody-else")
    code = desk.people.invite("operate").code
    paired = await client.post("/api/pair", json={"code": code, "name": "bench"})
    assert paired.status_code == 200
    assert "planted" not in paired.headers["set-cookie"]
    thief = desk.client("192.168.7.66")
    thief.cookies.set("evenwall", "planted-by-somebody-else")
    assert (await thief.get("/api/snapshot")).status_code == 401
    assert desk.people.who(code) is None  # neither does the code


@pytest.mark.parametrize("kind", ["text/plain", "application/x-www-form-urlencoded", ""])
def test_a_body_that_a_foreign_form_can_send_is_no_command(kind: str) -> None:
    """A form on another site may send these kinds without asking first (Fetch standard, 'simple'
    content types); only JSON is read."""

    async def run() -> None:
        async with open_desk() as desk:
            client = await desk.paired("operate")
            body, kinds = json.dumps(ask()).encode(), {"content-type": kind}
            sent = await client.post("/api/command/next", content=body, headers=kinds)
            assert sent.status_code == 422
            assert desk.service.commands == []

    asyncio.run(run())


@at_desk
async def test_what_may_be_kept_by_a_browser(desk: Desk) -> None:
    """Answers are not cached; the page and its modules are checked again each time."""
    client = await desk.paired("operate")
    for path in ("/api/snapshot", "/api/session", "/api/nothing"):
        assert (await client.get(path)).headers["cache-control"] == "no-store", path
    assert (await client.get("/")).headers["cache-control"] == "no-cache"
    module = await client.get("/panel/main.js")
    assert "etag" in module.headers
    assert "set-cookie" not in module.headers


@at_desk
async def test_a_cookie_over_tls_keeps_to_its_host(desk: Desk) -> None:
    """RFC 6265bis, 4.1.3.2: a __Host- cookie is Secure, has the path / and names no domain."""
    app = create_app(
        desk.service, Settings(host="192.168.7.5", tls_cert=Path("cert.pem")), desk.clock
    )
    transport = httpx.ASGITransport(app, client=("192.168.7.20", 5000))
    async with httpx.AsyncClient(transport=transport, base_url="https://192.168.7.5:8713") as phone:
        code = app.state.people.invite("operate").code
        answer = await phone.post("/api/pair", json={"code": code})
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith("__Host-evenwall=")
    words = {word.strip().lower() for word in cookie.split(";")}
    assert {"secure", "path=/", "httponly", "samesite=strict"} <= words
    assert not any(word.startswith("domain") for word in words)
    assert answer.headers["strict-transport-security"].startswith("max-age=")


@at_desk
async def test_a_body_beyond_the_limit_is_refused(desk: Desk) -> None:
    client = await desk.paired("operate")
    huge = ask(data={"text": "x" * 3_000_000})
    assert (await client.post("/api/command/note", json=huge)).status_code == 413


def test_sessions_outlive_a_restart_and_no_token_is_kept(tmp_path: Path) -> None:
    clock = ManualClock()
    before = People(clock, "http://192.168.7.5:8713/", tmp_path)
    paired = before.pair(before.invite("operate").code, "bench", "192.168.7.20")
    assert paired is not None
    token, session = paired
    assert before.close()
    after = People(clock, "http://192.168.7.5:8713/", tmp_path)
    assert after.who(token) == session
    kept = (tmp_path / "sessions.json").read_text(encoding="utf-8")
    assert token not in kept
    assert (tmp_path / "sessions.json").stat().st_mode & 0o077 == 0


def test_a_disk_that_takes_nothing_turns_no_press_into_an_error(tmp_path: Path) -> None:
    """The phone is paired, its press answered and the person told; all that stands on the disk when
    there is room again. A folder in a file's place refuses it as a disk does: OSError."""
    for name in ("audit.jsonl", "sessions.json.new"):
        (tmp_path / name).mkdir()

    async def run() -> None:
        async with open_desk(replace(LAN, state_dir=tmp_path)) as desk:
            client = await desk.paired("operate")
            answer = await client.post("/api/command/note", json=ask(data=DATA["note"]))
            assert "sentence" in answer.json()
            assert not await asyncio.to_thread(desk.people.close)
            assert "Is a directory" in desk.notices["panel"]
            for name in ("audit.jsonl", "sessions.json.new"):
                (tmp_path / name).rmdir()
            await client.post("/api/command/next", json=ask("key-00000002"))
            assert await asyncio.to_thread(desk.people.close)
            assert desk.notices == {}
            lines = (tmp_path / "audit.jsonl").read_text(encoding="utf-8").splitlines()
            done = [json.loads(line)["what"] for line in lines]
            assert done == ["pair", "note", "next"]
            again = People(desk.clock, "http://192.168.7.5:8713/", tmp_path)
            assert [session.name for session in again.sessions()] == ["operate"]

    asyncio.run(run())


@pytest.mark.parametrize("spoilt", ["", "half a", '[{"session_id": "a"}]'])
def test_spoilt_sessions_keep_no_controller_from_coming_up(tmp_path: Path, spoilt: str) -> None:
    """A power cut may leave such a file; the frame may be turning. Phones are paired again."""
    (tmp_path / "sessions.json").write_text(spoilt)
    said: list[str | None] = []
    people = People(ManualClock(), "http://192.168.7.5:8713/", tmp_path, tell=said.append)
    assert people.sessions() == []
    assert said[0] is not None
    assert "pair the phones again" in said[0]
    assert people.pair(people.invite("operate").code, "bench", "192.168.7.20") is not None
    assert (tmp_path / "sessions.json.damaged-1").read_text() == spoilt


def test_a_session_ends_after_a_month_of_silence() -> None:
    async def run() -> None:
        clock = ManualClock()
        people = People(clock, "http://192.168.7.5:8713/")
        paired = people.pair(people.invite("watch").code, "bench", "192.168.7.20")
        assert paired is not None
        await clock.advance(29 * 86_400)
        assert people.who(paired[0]) is not None
        await clock.advance(31 * 86_400)
        assert people.who(paired[0]) is None

    asyncio.run(run())


def test_limiter_lets_a_burst_and_then_its_rate() -> None:
    async def run() -> None:
        clock = ManualClock()
        limiter = Limiter(clock, burst=3, per_s=0.5)
        assert [limiter.allow("a") for _ in range(4)] == [True, True, True, False]
        assert limiter.allow("b")
        await clock.advance(2)
        assert [limiter.allow("a") for _ in range(2)] == [True, False]

    asyncio.run(run())


def test_an_invite_prints_its_code_and_a_picture() -> None:
    people = People(ManualClock(), "http://192.168.7.5:8713/")
    invite = people.invite("operate")
    text = invite.console()
    assert invite.shown in text
    assert text.count("\n") > 10
    rows = invite.picture()
    assert {len(row) for row in rows} == {len(rows)}


def test_the_console_shows_a_fresh_code_when_one_is_spent_or_old() -> None:
    async def run() -> None:
        clock = ManualClock()
        people = People(clock, "http://192.168.7.5:8713/")
        shown: list[Invite] = []
        keeping = asyncio.ensure_future(people.keep_inviting(shown.append))
        await clock.advance(10)
        assert len(shown) == 1
        assert people.pair(shown[0].code, "bench", "192.168.7.20") is not None
        await clock.advance(10)
        assert len(shown) == 2
        await clock.advance(13 * 3600)
        assert len(shown) == 3
        keeping.cancel()

    asyncio.run(run())


def test_settings_keep_to_loopback_unless_told() -> None:
    own = Settings()
    assert own.loopback_only
    assert own.answers_to("localhost", "127.0.0.1")
    assert not own.answers_to("192.168.7.5", "127.0.0.1")
    assert LAN.answers_to("192.168.7.5", "192.168.7.5")
    assert not LAN.answers_to("localhost", "192.168.7.5")
    assert Settings(host="0.0.0.0", names=("forge.local",)).answers_to("forge.local", "192.168.7.5")


def test_a_certificate_that_cannot_be_used_is_told_in_one_line(tmp_path: Path) -> None:
    made = trustme.CA().issue_cert("localhost")
    made.cert_chain_pems[0].write_to_path(tmp_path / "cert.pem")
    made.private_key_pem.write_to_path(tmp_path / "key.pem")
    check_certificate(Settings(tls_cert=tmp_path / "cert.pem", tls_key=tmp_path / "key.pem"))
    check_certificate(Settings())
    (tmp_path / "noise.pem").write_text("noise", encoding="ascii")
    for cert, key in (("missing.pem", "key.pem"), ("noise.pem", "key.pem"), ("key.pem", "key.pem")):
        with pytest.raises(InputError, match="--tls-cert"):
            check_certificate(Settings(tls_cert=tmp_path / cert, tls_key=tmp_path / key))


@at_desk
async def test_a_phone_is_paired_by_a_hand_at_the_frame(desk: Desk) -> None:
    phone = desk.client("192.168.7.66")
    card = (await phone.post("/api/pair/request", json={"name": "Ana's phone"})).json()
    told = desk.notices["pairing"]
    assert f"shows {card['number']}" in told
    assert "hold the button" in told
    ask_again = {"ticket": card["ticket"]}
    waits = await phone.post("/api/pair/requested", json=ask_again)
    assert (waits.status_code, waits.json()["role"]) == (200, "none")
    assert desk.people.at_frame.confirm()
    assert "pairing" not in desk.notices
    came_in = await phone.post("/api/pair/requested", json=ask_again)
    assert came_in.json()["role"] == "operate"
    assert (await phone.get("/api/session")).json()["name"] == "Ana's phone"
    # The ticket is spent.
    assert (await phone.post("/api/pair/requested", json=ask_again)).status_code == 403
    assert len(desk.people.sessions()) == 1


@at_desk
async def test_a_press_later_than_ten_seconds_pairs_nobody(desk: Desk) -> None:
    phone = desk.client("192.168.7.66")
    card = (await phone.post("/api/pair/request", json={})).json()
    await desk.clock.advance(REQUEST_LIFE_s + 0.1)
    assert not desk.people.at_frame.confirm()
    refused = await phone.post("/api/pair/requested", json={"ticket": card["ticket"]})
    assert refused.status_code == 403
    assert "pairing" not in desk.notices
    assert desk.people.sessions() == []


@at_desk
async def test_a_second_phone_cannot_slip_in_under_the_first_ones_press(desk: Desk) -> None:
    mine, other = desk.client("192.168.7.20"), desk.client("192.168.7.66")
    card = (await mine.post("/api/pair/request", json={})).json()
    assert (await other.post("/api/pair/request", json={})).status_code == 429
    guessed = await other.post("/api/pair/requested", json={"ticket": "A" * 43})
    assert guessed.status_code == 403
    desk.people.at_frame.confirm()
    guessed = await other.post("/api/pair/requested", json={"ticket": "A" * 43})
    assert guessed.status_code == 403
    assert (await mine.post("/api/pair/requested", json={"ticket": card["ticket"]})).json()[
        "role"
    ] == "operate"


@at_desk
async def test_nobody_makes_the_rig_ask_all_the_time(desk: Desk) -> None:
    phone, asked = desk.client("192.168.7.66"), 0
    for _ in range(60):  # ten minutes of a phone that asks whenever it may
        asked += (await phone.post("/api/pair/request", json={})).status_code == 202
        await desk.clock.advance(REQUEST_LIFE_s + 0.1)
    assert asked <= 5 + 600 / 30 + 1


@at_desk
async def test_a_turning_frame_is_not_asked_to_pair(desk: Desk) -> None:
    """While the frame turns, a held button must pause it."""
    shown = desk.service.snapshot()
    turning = shown.model_copy(update={"frame": shown.frame.model_copy(update={"mode": "turning"})})
    desk.service.snapshot = lambda: turning
    phone = desk.client("192.168.7.66")
    assert (await phone.post("/api/pair/request", json={})).status_code == 409
