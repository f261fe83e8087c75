"""Telemetry against Debian's mosquitto: up, killed, frozen, started again."""

from __future__ import annotations

import asyncio
import gc
import itertools
import json
import random
import socket
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
import trustme

from evenwall.cli.calling import by_broker
from evenwall.errors import InputError
from evenwall.model import MqttSpec, RigSpec, read_toml
from evenwall.telemetry.broker import backoff_s
from evenwall.telemetry.messages import STATES, CommandSaid, rig_id, topic
from evenwall.telemetry.publisher import JOURNAL_ROWS, Telemetry, signed_command
from evenwall_bridge.clock import SystemClock
from evenwall_web.sending import NotSent
from tests.telemetry.brokers import REAL, Bench, Mosquitto, casting, listener, spec, until

SMALL = read_toml(Path(__file__).parents[2] / "hardware" / "rigs" / "small.toml")

pytestmark = pytest.mark.timeout(40)

# The telemetry's own clock runs 20 times faster, so that pauses between attempts cost little.
FAST = 20.0


def rig(mqtt: MqttSpec) -> RigSpec:
    return RigSpec.model_validate(SMALL | {"mqtt": mqtt.model_dump()})


@asynccontextmanager
async def telling(
    source: Bench, mqtt: MqttSpec, data: Path, clock: SystemClock | None = None
) -> AsyncIterator[Telemetry]:
    telemetry = Telemetry(rig(mqtt), source, clock or SystemClock(FAST), data, random.Random(1))
    task = asyncio.create_task(telemetry.run())
    try:
        yield telemetry
    finally:
        assert not task.done(), task.exception()
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    mosquitto = Mosquitto(tmp_path)
    yield mosquitto
    mosquitto.kill()


class Listening:
    """Messages that a second client hears while the context lasts."""

    def __init__(self, port: int, *, v5: bool = True) -> None:
        self._port, self._v5 = port, v5
        self.heard: list[tuple[str, dict[str, Any]]] = []
        self.retained: set[str] = set()

    async def _hear(self, client: aiomqtt.Client) -> None:
        async for message in client.messages:
            if not message.topic.matches("+/+/command"):
                where = message.topic.value
                self.heard += [(where, json.loads(bytes(message.payload)))]
                if message.retain:
                    self.retained.add(where.split("/")[2])

    async def __aenter__(self) -> Listening:
        self._context = listener(self._port, v5=self._v5)
        client = await self._context.__aenter__()
        self._task = asyncio.create_task(self._hear(client))
        return self

    async def __aexit__(self, *exc: object) -> None:
        self._task.cancel()
        await asyncio.gather(self._task, return_exceptions=True)
        await self._context.__aexit__(None, None, None)

    def named(self, name: str) -> list[dict[str, Any]]:
        return [payload for where, payload in self.heard if where.endswith(f"/{name}")]

    def rows(self) -> list[int]:
        return [row["seq"] for payload in self.named("journal") for row in payload["rows"]]


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_state_is_retained_and_numbered(broker: Mosquitto, tmp_path: Path, version: str) -> None:
    async def main() -> None:
        await broker.start()
        source = Bench(**casting())
        async with telling(source, spec(broker.port, version=version), tmp_path) as telemetry:
            # Some periods more: what was sent first has surely reached the broker.
            await until(lambda: telemetry.status.states_sent >= len(STATES) + 5, "states")
            # One who comes late hears everything at once: it is retained.
            async with Listening(broker.port, v5=version == "5") as late:
                await until(lambda: set(STATES) <= {w.split("/")[2] for w, _ in late.heard}, "all")
                await until(lambda: late.retained == {*STATES, "online"}, "all kept")
                first = late.named("now")[0]
                assert first["step"] == "spin"
                assert (first["coat"], first["coats"]) == (2, 3)
                assert first["left_s"] == 300.0
                assert late.named("temperature")[0]["probe_degC"] == 31.5
                source.set(probe_degC=32.0)
                await until(lambda: late.named("temperature")[-1]["probe_degC"] == 32.0, "32 degC")
                await until(lambda: len(late.named("now")) > 3, "renewed every period")
                numbers = [payload["seq"] for payload in late.named("now")]
                assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))

    asyncio.run(main())


CALL = {"call": "next_coat", "urgency": "hands", "number": 2, "sentence": "Weigh.", "run_id": "r1"}


def test_a_call_reaches_the_broker_and_is_not_kept(broker: Mosquitto, tmp_path: Path) -> None:
    async def main() -> None:
        await broker.start()
        async with (
            telling(Bench(**casting()), spec(broker.port), tmp_path) as telemetry,
            Listening(broker.port) as other,
        ):
            await until(lambda: telemetry.status.connected, "connected")
            assert await by_broker(telemetry)({**CALL, "rig": "Small frame"}) == "the broker"
            await until(lambda: len(other.named("call")) == 1, "called")
            heard = other.named("call")[0]
            assert {name: heard[name] for name in CALL} == CALL
            async with Listening(broker.port) as late:
                await until(lambda: "now" in late.retained, "what is kept")
                assert not late.named("call")

    asyncio.run(main())


def test_a_call_without_a_broker_says_why(broker: Mosquitto, tmp_path: Path) -> None:
    async def main() -> None:
        async with telling(Bench(**casting()), spec(broker.port), tmp_path) as telemetry:
            with pytest.raises(NotSent, match="the broker cannot be reached"):
                await by_broker(telemetry)(CALL)

    asyncio.run(main())


def test_unchanged_state_is_not_repeated(broker: Mosquitto, tmp_path: Path) -> None:
    async def main() -> None:
        await broker.start()
        async with (
            Listening(broker.port) as other,
            telling(Bench(**casting()), spec(broker.port), tmp_path),
        ):
            await until(lambda: len(other.named("now")) > 8, "periods")
            assert len(other.named("gel")) == 1

    asyncio.run(main())


def test_state_expires_when_nobody_renews_it(broker: Mosquitto, tmp_path: Path) -> None:
    """Message expiry, MQTT 5 section 3.3.2.3.3: the broker passes on the interval that is left."""

    async def main() -> None:
        await broker.start()
        async with telling(Bench(**casting()), spec(broker.port), tmp_path) as telemetry:
            await until(lambda: telemetry.status.states_sent >= len(STATES), "states")
            async with listener(broker.port) as client:
                async for message in client.messages:
                    if not message.topic.matches("+/+/online"):
                        assert message.properties is not None
                        assert 100 < message.properties.MessageExpiryInterval <= 120
                        assert message.properties.ContentType == "application/json"
                        break

    asyncio.run(main())


def test_expired_state_is_gone_and_the_will_stays(
    broker: Mosquitto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A card that nobody renews must not be read as today's; whether the rig is there must."""
    monkeypatch.setattr("evenwall.telemetry.publisher.STATE_EXPIRY_S", 1)

    async def main() -> None:
        await broker.start()
        async with (
            Cable(broker.port) as cable,
            telling(Bench(**casting()), spec(cable.port), tmp_path) as telemetry,
        ):
            await until(lambda: telemetry.status.states_sent >= len(STATES), "states")
            cable.cut(for_good=True)
            await REAL.sleep(2.2)  # whole seconds are what the broker counts
            async with Listening(broker.port) as late:
                await until(lambda: late.named("online"), "the will")
                await REAL.sleep(0.3)
                assert late.retained == {"online"}

    asyncio.run(main())


class Cable:
    """A forwarder between rig and broker; `cut()` ends connections without a goodbye."""

    def __init__(self, port: int) -> None:
        self._to = port
        self._writers: list[asyncio.StreamWriter] = []
        self._pumps: list[asyncio.Task[None]] = []

    async def __aenter__(self) -> Cable:
        self._server = await asyncio.start_server(self._accept, "127.0.0.1", 0)
        self.port = int(self._server.sockets[0].getsockname()[1])
        return self

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        back, forth = await asyncio.open_connection("127.0.0.1", self._to)
        self._writers += [writer, forth]
        for source, sink in ((reader, forth), (back, writer)):
            self._pumps.append(asyncio.create_task(self._pump(source, sink)))

    @staticmethod
    async def _pump(source: asyncio.StreamReader, sink: asyncio.StreamWriter) -> None:
        try:
            while data := await source.read(4096):
                sink.write(data)
                await sink.drain()
        except OSError:
            return
        finally:
            sink.close()

    def cut(self, for_good: bool = False) -> None:
        if for_good:
            self._server.close()
        for writer in self._writers:
            writer.transport.abort()
        self._writers.clear()

    async def __aexit__(self, *exc: object) -> None:
        self.cut()
        self._server.close()
        for pump in self._pumps:
            pump.cancel()
        await asyncio.gather(*self._pumps, return_exceptions=True)


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_last_will_and_goodbye(broker: Mosquitto, tmp_path: Path, version: str) -> None:
    async def main() -> None:
        await broker.start()
        async with Listening(broker.port) as other:
            async with (
                Cable(broker.port) as cable,
                telling(Bench(), spec(cable.port, version=version), tmp_path),
            ):
                await until(lambda: other.named("online"), "online")
                cable.cut()
                await until(lambda: len(other.named("online")) >= 3, "lost, then back")
            await until(lambda: other.named("online")[-1]["why"] == "closed", "goodbye")
            said = [(p["online"], p["why"]) for p in other.named("online")]
            assert said == [
                (True, "started"),
                (False, "lost"),
                (True, "started"),
                (False, "closed"),
            ]
            # A broker keeps the goodbye for whoever comes later.
            async with Listening(broker.port) as late:
                await until(lambda: late.named("online"), "retained")
                assert late.named("online")[0]["online"] is False

    asyncio.run(main())


def test_the_last_will_is_kept_for_whoever_comes_later(broker: Mosquitto, tmp_path: Path) -> None:
    async def main() -> None:
        await broker.start()
        async with (
            Cable(broker.port) as cable,
            telling(Bench(), spec(cable.port), tmp_path) as telemetry,
        ):
            await until(lambda: telemetry.status.connected, "connected")
            cable.cut(for_good=True)
            await until(lambda: not telemetry.status.connected, "cut off")
            async with Listening(broker.port) as late:
                await until(lambda: late.named("online"), "the will")
                assert late.named("online")[0]["why"] == "lost"
                assert "online" in late.retained

    asyncio.run(main())


def in_order_and_complete(rows: list[int], count: int) -> bool:
    """After dropping what was had before, everything is there and in order."""
    newest, kept = 0, []
    for seq in rows:
        if seq > newest:
            newest = seq
            kept.append(seq)
    return kept == list(range(1, count + 1))


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_an_hour_without_a_broker_arrives_afterwards(
    broker: Mosquitto, tmp_path: Path, version: str
) -> None:
    async def main() -> None:
        source = Bench(**casting())
        await broker.start()
        async with telling(source, spec(broker.port, version=version), tmp_path) as telemetry:
            async with Listening(broker.port) as before:
                source.append(100)
                await until(lambda: len(before.rows()) >= 100, "rows before")
                had = before.rows()
            broker.kill()
            await until(lambda: not telemetry.status.connected, "outage noticed")
            assert "does not need it" in str(source.notices["broker"])
            source.append(3600)  # an hour of samples at 1 Hz
            await broker.start()
            async with Listening(broker.port) as after:
                await until(lambda: after.rows() and after.rows()[-1] == 3700, "rows after")
                assert in_order_and_complete(had + after.rows(), 3700)
            assert source.notices["broker"] is None

    asyncio.run(main())


def test_killed_again_and_again_while_catching_up(broker: Mosquitto, tmp_path: Path) -> None:
    """Replayed from a seed: the broker dies at odd moments of a catch-up."""
    rng = random.Random(20)

    async def main() -> None:
        source = Bench()
        source.append(0)
        await broker.start()
        rows: list[int] = []
        async with telling(source, spec(broker.port), tmp_path):
            for _ in range(4):
                async with Listening(broker.port) as other:
                    source.append(500)
                    await REAL.sleep(rng.uniform(0.0, 0.25))
                    broker.kill()
                    # What the listener's socket still holds is read before it is closed.
                    await REAL.sleep(0.05)
                    rows += other.rows()
                await broker.start()
            async with Listening(broker.port) as other:
                source.append(1)
                await until(lambda: other.rows() and other.rows()[-1] == 2001, "the last row")
                rows += other.rows()
        # A listener that was itself cut off may have missed rows that the broker had already taken:
        # what the rig sent after each cut follows on without a gap from what it had acknowledged.
        starts = [b for a, b in itertools.pairwise(rows) if b != a + 1]
        assert len(starts) <= 4, starts
        assert rows[-1] == 2001

    asyncio.run(main())


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_rows_in_flight_when_the_broker_dies_are_sent_again(
    broker: Mosquitto, tmp_path: Path, version: str
) -> None:
    """Frozen, given rows that it never acknowledges, then killed with them in its buffers."""

    async def main() -> None:
        await broker.start()
        source = Bench()
        async with telling(source, spec(broker.port, version=version), tmp_path) as telemetry:
            await until(lambda: telemetry.status.states_sent > 0, "connected")
            broker.freeze()
            source.append(50)
            await until(lambda: not telemetry.status.connected, "outage noticed")
            broker.kill()
            await broker.start()
            async with Listening(broker.port) as other:
                source.append(1)
                await until(lambda: other.rows() and other.rows()[-1] == 51, "the last row")
                assert other.rows() == list(range(1, 52))

    asyncio.run(main())


def test_frozen_broker_costs_the_run_nothing(broker: Mosquitto, tmp_path: Path) -> None:
    """SIGSTOP: the kernel still accepts for it, nothing ever answers."""

    async def main() -> None:
        await broker.start()
        source = Bench(**casting())
        mqtt = spec(broker.port, period_s=0.05, timeout_s=5.0, keepalive_s=30)
        async with telling(source, mqtt, tmp_path) as telemetry:
            await until(lambda: telemetry.status.connected, "connected")
            broker.freeze()
            worst_s, tasks = 0.0, 0
            for tick in range(400):  # the run, ticking beside it
                before_s = REAL.now_s()
                source.set(probe_degC=20.0 + tick / 100)
                source.append(10)
                await REAL.sleep(0.01)
                worst_s = max(worst_s, REAL.now_s() - before_s)
                tasks = max(tasks, len(asyncio.all_tasks()))
            await until(lambda: not telemetry.status.connected, "noticed")
            assert "did not answer" in telemetry.status.last_error
            # The loop is never blocked: a wait for this broker would take all of its five seconds;
            # the delays of a busy machine are shorter.
            assert worst_s < 4.0
            assert tasks < 15  # bounded: nothing piles up per attempt
            # Of four thousand rows no more are held than one queue, one message and one in hand.
            assert source.pulled <= 2 * JOURNAL_ROWS + 1
            broker.thaw()
            async with Listening(broker.port) as other:
                await until(lambda: other.rows() and other.rows()[-1] == 4000, "caught up")
                await until(lambda: other.named("temperature"), "state")

    asyncio.run(main())


def test_a_restarted_controller_goes_on_where_the_broker_has_it(
    broker: Mosquitto, tmp_path: Path
) -> None:
    async def main() -> None:
        await broker.start()
        source = Bench()
        source.append(50)  # before telemetry was ever switched on: not sent
        async with Listening(broker.port) as other:
            async with telling(source, spec(broker.port), tmp_path):
                source.append(50)
                await until(lambda: len(other.rows()) >= 50, "first session")
            source.append(50)
            async with telling(source, spec(broker.port), tmp_path):
                await until(lambda: len(other.rows()) >= 100, "second session")
            assert other.rows() == list(range(51, 151))
            assert len({p["session"] for p in other.named("journal")}) == 2

    asyncio.run(main())


def test_cursor_beyond_the_journal_starts_at_its_beginning(tmp_path: Path) -> None:
    """The record was restored from an older backup: better twice than never."""
    (tmp_path / "telemetry.cursor").write_text("900")

    async def main() -> None:
        source = Bench()
        source.append(5)
        telemetry = Telemetry(rig(spec(1)), source, REAL, tmp_path, random.Random(1))
        assert telemetry._cursor.row_id == 0

    asyncio.run(main())


def test_a_cursor_that_cannot_be_kept_ends_nothing(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Rows are sent again after a restart, since twice is better than never."""
    (tmp_path / "telemetry.part").mkdir()  # refuses to be written, as a full disk does

    async def main() -> None:
        source = Bench()
        source.append(5)
        telemetry = Telemetry(rig(spec(1)), source, REAL, tmp_path, random.Random(1))
        telemetry._cursor.save()
        assert telemetry._cursor.row_id == 5

    asyncio.run(main())
    assert [record.levelname for record in caplog.records] == ["WARNING"]


@pytest.mark.parametrize("content", ["half a", "", "-5", "9" * 5000, None])
def test_a_spoilt_cursor_is_set_aside_and_the_rows_are_sent_again(
    content: str | None, tmp_path: Path
) -> None:
    """None: a folder in its place."""
    file = tmp_path / "telemetry.cursor"
    if content is None:
        file.mkdir()
    else:
        file.write_text(content)

    async def main() -> None:
        source = Bench()
        telemetry = Telemetry(rig(spec(1)), source, REAL, tmp_path, random.Random(1))
        assert telemetry._cursor.row_id == 0
        assert "kept as telemetry.cursor.damaged-1" in (source.notices["telemetry"] or "")

    asyncio.run(main())
    assert (tmp_path / "telemetry.cursor.damaged-1").exists()


def test_a_refusing_broker_is_not_taken_for_a_friendly_one(tmp_path: Path) -> None:
    """MQTT 5 acknowledges a refusal with a reason code (section 3.4.2.1): 0x87 not authorised."""
    (tmp_path / "acl").write_text("topic write evenwall/+/online\ntopic read #\n")
    broker = Mosquitto(tmp_path, f"acl_file {tmp_path / 'acl'}")

    async def main() -> None:
        await broker.start()
        source = Bench()
        async with telling(source, spec(broker.port), tmp_path) as telemetry:
            source.append(5)
            await until(lambda: "Not authorized" in telemetry.status.last_error, "refusal seen")
            assert telemetry.status.rows_sent == 0

    try:
        asyncio.run(main())
    finally:
        broker.kill()


# The client library drops its socket unclosed when a handshake fails; the collector closes it.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_tls_and_password(tmp_path: Path) -> None:
    ca = trustme.CA()
    cert = ca.issue_cert("127.0.0.1")
    cert.private_key_pem.write_to_path(tmp_path / "key.pem")
    cert.cert_chain_pems[0].write_to_path(tmp_path / "cert.pem")
    ca.cert_pem.write_to_path(tmp_path / "ca.pem")
    trustme.CA().cert_pem.write_to_path(tmp_path / "other-ca.pem")
    # mosquitto_passwd's PBKDF2-SHA512 form ($7$), as Debian's mosquitto 2.0 reads it.
    (tmp_path / "passwords").write_text(f"small:{mosquitto_password('turning slowly')}\n")
    (tmp_path / "right").write_text("turning slowly\n")
    (tmp_path / "wrong").write_text("turning fast\n")
    broker = Mosquitto(
        tmp_path,
        f"cafile {tmp_path / 'ca.pem'}",
        f"certfile {tmp_path / 'cert.pem'}",
        f"keyfile {tmp_path / 'key.pem'}",
        f"password_file {tmp_path / 'passwords'}",
        "allow_anonymous false",
    )

    def reach(**fields: Any) -> MqttSpec:
        good = {"tls": True, "ca_file": tmp_path / "ca.pem", "username": "small"}
        return spec(broker.port, **{**good, "password_file": tmp_path / "right", **fields})

    async def outcome(mqtt: MqttSpec) -> str:
        async with telling(Bench(), mqtt, tmp_path) as telemetry:
            status = telemetry.status
            await until(lambda: status.connected or status.last_error, "an outcome")
            return status.last_error

    async def main() -> None:
        await broker.start()
        assert await outcome(reach()) == ""
        assert "certificate verify failed" in await outcome(
            reach(ca_file=tmp_path / "other-ca.pem")
        )
        wrong = await outcome(reach(password_file=tmp_path / "wrong"))
        assert "Not authorized" in wrong
        assert "turning" not in wrong
        assert await outcome(reach(tls=False)) != ""

    try:
        asyncio.run(main())
    finally:
        broker.kill()
        gc.collect()


def mosquitto_password(password: str) -> str:
    import base64
    import hashlib

    salt = b"twelve bytes"
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, 101)
    return f"$7$101${base64.b64encode(salt).decode()}${base64.b64encode(digest).decode()}"


def test_missing_secret_file_is_one_clear_line(tmp_path: Path) -> None:
    async def main() -> None:
        lost = rig(spec(1, password_file=tmp_path / "none"))
        with pytest.raises(InputError, match=r"mqtt.password_file is .*/none: No such file"):
            Telemetry(lost, Bench(), REAL, tmp_path, random.Random(1))
        unsigned = rig(spec(1, commands=("pause",)))
        with pytest.raises(InputError, match=r"mqtt.secret_file is missing: is required"):
            Telemetry(unsigned, Bench(), REAL, tmp_path, random.Random(1))

    asyncio.run(main())


def test_waits_double_and_spread() -> None:
    """Between half and the whole of 0.5, 1, 2 ... 60 s; two hundred rigs do not come together."""
    for attempt in range(40):
        full_s = min(60.0, 0.5 * 2**attempt)
        waits = [backoff_s(attempt, random.Random(seed)) for seed in range(200)]
        assert min(waits) >= full_s / 2
        assert max(waits) <= full_s
        # uniform on [full/2, full]: standard deviation full/(2 sqrt 12) = 0.144 full
        assert max(waits) - min(waits) > 0.4 * full_s


def test_rig_names_become_topics() -> None:
    named = RigSpec.model_validate(SMALL | {"name": "Great frame / No. 2"})
    assert topic(rig_id(named), "now") == "evenwall/great-frame-no-2/now"
    assert rig_id(rig(spec(1, rig_id="oak"))) == "oak"


# --- Commands ------------------------------------------------------------------------------------


def said(name: str, key: str, clock: SystemClock, **fields: Any) -> CommandSaid:
    utc = clock.utc().isoformat()
    return CommandSaid(**{"name": name, "key": key, "utc": utc, "who": "bench", **fields})


def test_only_signed_fresh_and_listed_commands_are_heard(broker: Mosquitto, tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("the shop's own secret\n")
    secret = "the shop's own secret"
    clock = SystemClock(FAST)
    source = Bench()
    mqtt = spec(broker.port, commands=("pause", "note"), secret_file=tmp_path / "secret")
    where = "evenwall/small-frame/command"

    async def main() -> None:
        await broker.start()
        async with (
            Listening(broker.port) as other,
            listener(broker.port) as sender,
            telling(source, mqtt, tmp_path, clock) as telemetry,
        ):
            await until(lambda: telemetry.status.states_sent > 0, "connected")
            good = signed_command(said("pause", "k1", clock), secret)
            bad = [
                b"\xff\x00",
                "{}",
                "null",
                json.dumps(json.loads(good) | {"mac": "0" * 64}),
                json.dumps(json.loads(good) | {"command": json.loads(good)["command"] + " "}),
                signed_command(said("pause", "k2", clock), "another secret"),
                signed_command(said("next", "k3", clock), secret),
                signed_command(said("measure", "k4", clock), secret),
                signed_command(said("pause", "k5", clock, utc="2026-01-05T08:00:00+00:00"), secret),
                signed_command(said("pause", "k6", clock, utc="2026-01-05T08:00:00"), secret),
                "x" * 100_000,
            ]
            for payload in bad:
                await sender.publish(where, payload, qos=1)
            await until(lambda: telemetry.status.commands_refused == len(bad), "all refused")
            assert not source.commands
            await sender.publish(where, good, qos=1)
            await until(lambda: other.named("answer"), "answer")
            answer = other.named("answer")[0]
            assert (answer["key"], answer["accepted"]) == ("k1", True)
            (heard,) = source.commands
            assert (heard.name, heard.key, heard.who) == ("pause", "k1", "mqtt:bench")

    asyncio.run(main())


def test_a_retained_command_is_refused(broker: Mosquitto, tmp_path: Path) -> None:
    """It would be delivered again at every reconnection."""
    (tmp_path / "secret").write_text("s3")
    clock = SystemClock(FAST)
    mqtt = spec(broker.port, commands=("pause",), secret_file=tmp_path / "secret")
    source = Bench()

    async def main() -> None:
        await broker.start()
        async with listener(broker.port) as sender:
            payload = signed_command(said("pause", "k", clock), "s3")
            await sender.publish("evenwall/small-frame/command", payload, qos=1, retain=True)
        async with telling(source, mqtt, tmp_path, clock) as telemetry:
            await until(lambda: telemetry.status.commands_refused == 1, "refused")
            assert not source.commands

    asyncio.run(main())


def test_commands_are_off_unless_named(broker: Mosquitto, tmp_path: Path) -> None:
    async def main() -> None:
        await broker.start()
        source = Bench()
        async with (
            listener(broker.port) as sender,
            telling(source, spec(broker.port), tmp_path) as telemetry,
        ):
            await until(lambda: telemetry.status.states_sent > 0, "connected")
            payload = signed_command(said("pause", "k", REAL), "")
            await sender.publish("evenwall/small-frame/command", payload, qos=1)
            sent = telemetry.status.states_sent
            await until(lambda: telemetry.status.states_sent > sent + 3, "some periods")
            assert not source.commands
            assert telemetry.status.commands_refused == 0

    asyncio.run(main())


@pytest.mark.parametrize(
    "name", ["start", "next", "resume", "touch", "answer", "replay", "abandon"]
)
def test_nothing_that_turns_the_frame_can_be_allowed(name: str) -> None:
    with pytest.raises(ValueError, match="commands"):
        MqttSpec.model_validate({"commands": [name]})


# --- The demo's broker ---------------------------------------------------------------------------


def test_demo_broker_is_on_loopback_only(tmp_path: Path) -> None:
    from evenwall.simulation.demo_broker import demo_broker
    from tests.telemetry.brokers import free_port

    async def main() -> None:
        port = free_port()
        async with demo_broker(port) as mqtt:
            listening = [
                line.split()[1]
                for table in ("tcp", "tcp6")
                for line in Path(f"/proc/net/{table}").read_text().splitlines()[1:]
                if line.split()[3] == "0A" and line.split()[1].endswith(f":{port:04X}")
            ]
            loopback = "".join(f"{b:02X}" for b in reversed(socket.inet_aton("127.0.0.1")))
            assert listening == [f"{loopback}:{port:04X}"]
            source = Bench(**casting())
            async with telling(source, mqtt, tmp_path) as telemetry:
                source.append(30)
                await until(lambda: telemetry.status.rows_sent == 30, "rows over the demo broker")

    asyncio.run(main())
