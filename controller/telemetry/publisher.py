"""Publishes the rig's state and record to a broker, and never makes the rig wait for it.

State is read from the newest snapshot once a period and is not stored, so a dead broker costs no
memory. After an outage the rows of the record are read from the journal again. A cursor marks the
last row that the broker has acknowledged. The broker runs in wall time: pass a wall clock even if
the rig's world runs faster.
"""

from __future__ import annotations

import asyncio
import contextlib
import hmac
import json
import logging
import os
import random
from collections.abc import AsyncIterator, Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any, Protocol
from uuid import uuid4

import aiomqtt
from pydantic import ValidationError

from evenwall.errors import EvenwallError, InputError
from evenwall.model import Answer, Command, RigSpec, Snapshot, StreamItem, read_order
from evenwall.model.untrusted import set_aside
from evenwall.telemetry.broker import BrokerClient, Connection, read_secret, together
from evenwall.telemetry.messages import (
    CALL_EXPIRY_S,
    JOURNAL_EXPIRY_S,
    STATE_EXPIRY_S,
    AnswerSaid,
    CallSaid,
    CommandSaid,
    Head,
    JournalRows,
    Online,
    Row,
    SignedCommand,
    rig_id,
    row,
    states,
    topic,
)
from evenwall_bridge.contract import Clock

log = logging.getLogger("evenwall.telemetry")

RENEW_S = 30.0
JOURNAL_PAUSE_S = 0.2  # rows within this time share a message
JOURNAL_ROWS = 200
CURSOR_EVERY_S = 10.0  # spares the card; after a power cut, rows of this time are sent twice
COMMAND_AGE_S = 60.0
REFUSALS_APART_S = 10.0  # lines of the log about refused commands: a flood must not fill it


class Source(Protocol):
    """Part of the service that telemetry needs."""

    def snapshot(self) -> Snapshot: ...

    def watch(self, after_id: int) -> AsyncIterator[StreamItem]: ...

    async def command(self, command: Command) -> Answer: ...

    def notice(self, kind: str, sentence: str | None) -> None: ...


@dataclass(slots=True)
class Status:
    """Status of the connection, for the panel and `rig check`."""

    connected: bool = False
    connections: int = 0
    last_error: str = ""
    states_sent: int = 0
    rows_sent: int = 0
    commands_refused: int = 0


class Cursor:
    """Last journal row that the broker has, kept on disk so that a restart continues from it."""

    def __init__(self, file: Path, newest_id: int, tell: Callable[[str], None]) -> None:
        """Read the cursor. Without a file telemetry is new here, and earlier rows are not sent.

        tell: gets a notice for people.
        """
        self._file, self._refused = file, False
        try:
            self.row_id = int(file.read_text(encoding="ascii")[:20])
            if not 0 <= self.row_id < 2**63:
                raise ValueError("no row number")
        except FileNotFoundError:
            self.row_id = newest_id
            self.save()
        except (ValueError, OSError) as error:
            # Sending rows twice is better than a gap: their numbers show the repeats.
            log.warning(
                "%s cannot be read (%s) and is ignored: all rows are sent again", file, error
            )
            with contextlib.suppress(OSError):
                kept = set_aside(file).name
                tell(
                    f"{file.name} could not be read ({str(error)[:120]}) and is kept as {kept}. "
                    f"All rows of the record are sent to the broker again."
                )
            self.row_id = 0
        if self.row_id > newest_id:
            log.warning("the journal is shorter than %s says; starting at its beginning", file)
            self.row_id = 0

    def save(self) -> None:
        """Write the cursor. If the disk refuses, the old one stays, and a restart repeats rows."""
        part = self._file.with_suffix(".part")
        try:
            part.write_text(str(self.row_id), encoding="ascii")
            os.replace(part, self._file)
        except OSError as error:
            if not self._refused:
                log.warning("%s cannot be written: %s", self._file, error.strerror)
            self._refused = True
            return
        self._refused = False


class BrokerAway(EvenwallError):
    """A message could not be handed to the broker."""


class Telemetry:
    """Publisher of a rig. Run `run()` as a task; cancel it to sign off from the broker."""

    def __init__(
        self, rig: RigSpec, source: Source, clock: Clock, data: Path, rng: random.Random
    ) -> None:
        """Set up. data: folder for the cursor. Raises InputError for settings that cannot work."""
        if rig.mqtt is None:
            raise InputError("mqtt", "missing", "is required for telemetry")
        if rig.mqtt.commands and rig.mqtt.secret_file is None:
            raise InputError("mqtt.secret_file", "missing", "is required when commands are allowed")
        self._spec, self._source, self._clock, self._rng = rig.mqtt, source, clock, rng
        self._secret = read_secret("mqtt.secret_file", rig.mqtt.secret_file)
        self._rig = rig_id(rig)
        self._session = uuid4().hex[:12]
        self._simulated = source.snapshot().simulated
        self._seq: dict[str, int] = {}
        newest_id, tell = source.snapshot().last_event_id, partial(source.notice, "telemetry")
        self._cursor = Cursor(data / "telemetry.cursor", newest_id, tell)
        will = self._online(False, "lost").model_dump_json()
        self._broker = Connection(
            rig.mqtt, f"evenwall-{self._rig}", (topic(self._rig, "online"), will)
        )
        self._client: BrokerClient | None = None  # while connected
        self._refused_s, self._untold = -REFUSALS_APART_S, 0
        self.status = Status()

    # --- connecting ------------------------------------------------------------------------------

    async def run(self) -> None:
        """Connect, publish, and connect again after a failure; ends by cancellation only."""
        await self._broker.keep(self._tell, self._clock, self._rng, self._outage)

    def _outage(self, error: str) -> None:
        self.status.connected, self.status.last_error = False, error
        self._source.notice(
            "broker", f"The broker cannot be reached ({error}). The casting does not need it."
        )

    async def _tell(self, client: BrokerClient) -> None:
        await self._publish(client, "online", self._online(True, "started"), qos=1, retain=True)
        self.status.connected, self.status.last_error = True, ""
        self._source.notice("broker", None)
        self.status.connections += 1
        self._client = client
        try:
            jobs = [self._tell_state(client), self._tell_journal(client)]
            if self._spec.commands:
                await client.subscribe(topic(self._rig, "command"), qos=1)
                jobs.append(self._hear_commands(client))
            await together(*jobs)
        except asyncio.CancelledError:
            with contextlib.suppress(aiomqtt.MqttError):
                goodbye = self._online(False, "closed")
                await self._publish(client, "online", goodbye, qos=1, retain=True)
            raise
        finally:
            self._client = None
            self._cursor.save()

    async def call(self, said: Mapping[str, Any]) -> None:
        """Send a call on the topic `call`; return when the broker has it.

        said: call, urgency, number, sentence and run_id. Raises BrokerAway without a broker. A
        failed call is not sent later: the record has it, and calls are repeated until answered.
        """
        if self._client is None:
            raise BrokerAway(
                f"the broker cannot be reached ({self.status.last_error or 'not yet'})"
            )
        message = CallSaid.model_validate({**said, **self._head("call").model_dump()})
        try:
            await self._publish(self._client, "call", message, qos=1, expiry_s=CALL_EXPIRY_S)
        except aiomqtt.MqttError as error:
            raise BrokerAway(str(error)) from None

    async def _publish(
        self,
        client: BrokerClient,
        name: str,
        message: Head,
        *,
        qos: int = 0,
        retain: bool = False,
        expiry_s: int | None = None,
    ) -> None:
        properties = self._broker.properties(expiry_s)
        where = topic(self._rig, name)
        await client.tell(where, message.model_dump_json(), qos, retain, properties)

    def _head(self, name: str) -> Head:
        self._seq[name] = self._seq.get(name, 0) + 1
        return Head(
            rig=self._rig,
            session=self._session,
            seq=self._seq[name],
            utc=self._clock.utc().isoformat(timespec="milliseconds"),
        )

    def _online(self, online: bool, why: str) -> Online:
        head = self._head("online").model_dump()
        return Online.model_validate(
            head | {"online": online, "why": why, "simulated": self._simulated}
        )

    # --- state -----------------------------------------------------------------------------------

    async def _tell_state(self, client: BrokerClient) -> None:
        told: dict[str, tuple[Head, float]] = {}
        blank = Head(rig=self._rig, session=self._session, seq=0, utc="")
        while True:
            now_s = self._clock.now_s()
            for name, message in states(self._source.snapshot(), blank).items():
                before, at_s = told.get(name, (None, 0.0))
                if name != "now" and message == before and now_s - at_s < RENEW_S:
                    continue
                told[name] = message, now_s
                numbered = message.model_copy(update=self._head(name).model_dump())
                await self._publish(client, name, numbered, retain=True, expiry_s=STATE_EXPIRY_S)
                self.status.states_sent += 1
            await self._clock.sleep(self._spec.period_s)

    # --- the record ------------------------------------------------------------------------------

    async def _tell_journal(self, client: BrokerClient) -> None:
        # Read ahead of the broker by at most the rows of one message.
        rows: asyncio.Queue[Row] = asyncio.Queue(maxsize=JOURNAL_ROWS)
        await together(self._read_journal(rows), self._send_journal(rows, client))

    async def _read_journal(self, rows: asyncio.Queue[Row]) -> None:
        async for item in self._source.watch(self._cursor.row_id):
            found = row(item)
            if found is not None:
                await rows.put(found)

    async def _send_journal(self, rows: asyncio.Queue[Row], client: BrokerClient) -> None:
        saved_s = self._clock.now_s()
        while True:
            batch = [await rows.get()]
            while not rows.empty():
                batch.append(rows.get_nowait())
            message = JournalRows(**self._head("journal").model_dump(), rows=tuple(batch))
            await self._publish(client, "journal", message, qos=1, expiry_s=JOURNAL_EXPIRY_S)
            self._cursor.row_id = batch[-1].seq
            if self._clock.now_s() - saved_s > CURSOR_EVERY_S:
                await asyncio.to_thread(self._cursor.save)  # a dead disk delays the broker alone
                saved_s = self._clock.now_s()
            self.status.rows_sent += len(batch)
            await self._clock.sleep(JOURNAL_PAUSE_S)

    # --- commands --------------------------------------------------------------------------------

    async def _hear_commands(self, client: BrokerClient) -> None:
        async for message in client.messages:
            said = self._checked(message)
            if said is None:
                continue
            answer = await self._asked(said)
            await self._publish(
                client,
                "answer",
                AnswerSaid(
                    **self._head("answer").model_dump(),
                    key=said.key,
                    accepted=answer.accepted,
                    sentence=answer.sentence,
                ),
                qos=1,
                expiry_s=STATE_EXPIRY_S,
            )

    async def _asked(self, said: CommandSaid) -> Answer:
        try:
            order = read_order(said.name, said.data)
        except InputError as error:
            return Answer(accepted=False, sentence=str(error))
        return await self._source.command(
            Command(key=said.key, step_id=said.step_id, who=f"mqtt:{said.who}", order=order)
        )

    def _checked(self, message: aiomqtt.Message) -> CommandSaid | None:
        """Return the command in a message; None if it is retained, unsigned, old or not allowed.

        A message without a valid signature gets no answer.
        """
        try:
            signed = SignedCommand.model_validate_json(bytes(message.payload))
            said = CommandSaid.model_validate_json(signed.command)
            sent = datetime.fromisoformat(said.utc)
            age_s = abs((self._clock.utc() - sent).total_seconds())
        except (ValidationError, ValueError, TypeError) as error:
            self._refuse(f"not readable: {str(error).splitlines()[0]}")
            return None
        good = sign(signed.command, self._secret or "")
        reasons = {
            "not signed with the rig's secret": not hmac.compare_digest(good, signed.mac),
            "retained by the broker": bool(message.retain),
            "signed over a minute ago": age_s > COMMAND_AGE_S,
            "not in mqtt.commands of the rig file": said.name not in self._spec.commands,
        }
        for reason, bad in reasons.items():
            if bad:
                self._refuse(reason)
                return None
        return said

    def _refuse(self, reason: str) -> None:
        """Count a refused command and log it, unless another one was logged just before."""
        self.status.commands_refused += 1
        now_s = self._clock.now_s()
        if now_s - self._refused_s < REFUSALS_APART_S:
            self._untold += 1
            return
        more = f", and {self._untold} others since the last line" if self._untold else ""
        self._refused_s, self._untold = now_s, 0
        log.warning("command refused: %s%s", reason, more)


def sign(command: str, secret: str) -> str:
    """HMAC-SHA256 (RFC 2104, FIPS 198-1) of the command's UTF-8 bytes, hexadecimal."""
    return hmac.new(secret.encode(), command.encode(), "sha256").hexdigest()


def signed_command(said: CommandSaid, secret: str) -> str:
    """Payload that `Telemetry` accepts; for scripts and tests."""
    text = said.model_dump_json()
    return json.dumps({"command": text, "mac": sign(text, secret)})
