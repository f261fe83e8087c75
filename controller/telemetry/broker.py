"""Connection to a broker: a client that ends cleanly, secrets, reconnection."""

from __future__ import annotations

import asyncio
import logging
import random
import ssl
from collections.abc import Awaitable, Callable, Coroutine
from pathlib import Path
from typing import Any, Self, TypeVar

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from evenwall.errors import InputError
from evenwall.model import MqttSpec
from evenwall_bridge.contract import Clock

T = TypeVar("T")
log = logging.getLogger("evenwall.broker")

BACKOFF_FIRST_S, BACKOFF_LAST_S = 0.5, 60.0
# Anybody on the broker may send to a rig's topics. A broker of MQTT 5 keeps larger packets back.
PACKET_bytes = 256_000
QUEUED = 100  # messages that wait to be looked at; further ones are dropped


class BrokerClient(aiomqtt.Client):
    """Client that corrects three faults of aiomqtt.

    aiomqtt leaves the socket open when a broker accepts but never answers. It takes any
    acknowledgement for success, while MQTT 5 brokers also acknowledge a refusal. Its
    `asyncio.wait_for` can lose a cancellation (Python 3.11).
    """

    refusal = ""

    async def __aenter__(self) -> Self:
        try:
            return await super().__aenter__()
        except (aiomqtt.MqttError, asyncio.CancelledError):
            self._client.disconnect()
            raise

    async def _wait_for(self, fut: Awaitable[T], timeout: float | None) -> T:
        try:
            async with asyncio.timeout(self.timeout if timeout is None else timeout):
                return await fut
        except TimeoutError:
            raise aiomqtt.MqttError("the broker did not answer in time") from None

    def _on_publish(
        self,
        client: Any,
        userdata: Any,
        mid: int,
        reason_code: ReasonCode,
        properties: Properties | None = None,
    ) -> None:
        if reason_code.is_failure:
            self.refusal = str(reason_code)
        super()._on_publish(client, userdata, mid, reason_code, properties)  # type: ignore[arg-type]

    async def tell(
        self, where: str, payload: str, qos: int, retain: bool, properties: Properties | None
    ) -> None:
        """Publish a message. Raises MqttError if the broker refuses it."""
        await self.publish(where, payload, qos=qos, retain=retain, properties=properties)
        if self.refusal:
            raise aiomqtt.MqttError(f"the broker refused {where}: {self.refusal}")


class Connection:
    """Broker of the rig file; `keep()` stays connected to it until cancelled."""

    def __init__(
        self,
        spec: MqttSpec,
        name: str,
        will: tuple[str, str] | None = None,
        queued: int = QUEUED,
    ) -> None:
        """Read the settings. will: topic and payload of the last will, retained. queued: messages
        that may wait.

        Raises InputError if a file with a secret cannot be read.
        """
        self.spec = spec
        self._name, self._will, self._queued = name, will, queued
        self._password = read_secret("mqtt.password_file", spec.password_file)
        self._v5 = spec.version == "5"

    def properties(
        self, expiry_s: int | None, kind: int = PacketTypes.PUBLISH
    ) -> Properties | None:
        """Properties of a message, for MQTT 5 only: 3.1.1 has no expiry."""
        if not self._v5:
            return None
        properties = Properties(kind)  # type: ignore[no-untyped-call]
        properties.ContentType = "application/json"
        if expiry_s is not None:
            properties.MessageExpiryInterval = expiry_s
        return properties

    def client(self) -> BrokerClient:
        spec, will = self.spec, None
        if self._will is not None:
            properties = self.properties(None, PacketTypes.WILLMESSAGE)
            will = aiomqtt.Will(*self._will, qos=1, retain=True, properties=properties)
        greeting = None
        if self._v5:
            greeting = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            greeting.MaximumPacketSize = PACKET_bytes
        return BrokerClient(
            spec.host,
            spec.port,
            identifier=self._name,
            username=spec.username or None,
            password=self._password,
            protocol=aiomqtt.ProtocolVersion.V5 if self._v5 else aiomqtt.ProtocolVersion.V311,
            clean_session=None if self._v5 else True,
            will=will,
            timeout=spec.timeout_s,
            keepalive=spec.keepalive_s,
            properties=greeting,
            max_queued_incoming_messages=self._queued,
            tls_context=ssl.create_default_context(cafile=spec.ca_file) if spec.tls else None,
        )

    async def keep(
        self,
        talk: Callable[[BrokerClient], Awaitable[None]],
        clock: Clock,
        rng: random.Random,
        outage: Callable[[str], None],
    ) -> None:
        """Connect, work, and connect again after a failure; ends by cancellation only."""
        attempt, said = 0, ""
        while True:
            since_s = clock.now_s()
            try:
                async with self.client() as client:
                    await talk(client)
            except aiomqtt.MqttError as error:
                if str(error) != said:
                    said = str(error)
                    log.warning("broker %s:%d: %s", self.spec.host, self.spec.port, said)
                outage(str(error))
            if (task := asyncio.current_task()) and task.cancelling():
                # The connection broke during the goodbye, and its error replaced the cancellation.
                raise asyncio.CancelledError
            if clock.now_s() - since_s > BACKOFF_LAST_S:
                attempt, said = 0, ""
            await clock.sleep(backoff_s(attempt, rng))
            attempt += 1


async def together(*jobs: Coroutine[Any, Any, None]) -> None:
    """Run these until one fails or all end; none is left running. Raises the first failure.

    This is not a TaskGroup, because that of Python 3.11 leaves its task marked as cancelled, and
    `run` must know whether it really was.
    """
    tasks = [asyncio.create_task(job) for job in jobs]
    try:
        done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_EXCEPTION)
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
    for task in done:
        task.result()


def read_secret(field: str, file: Path | None) -> str | None:
    if file is None:
        return None
    try:
        return file.read_text(encoding="utf-8").strip()
    except OSError as error:
        raise InputError(field, file, error.strerror or "cannot be read") from None


def backoff_s(attempt: int, rng: random.Random) -> float:
    """Delay that doubles up to a minute; half is random, so that rigs do not return together."""
    full_s = min(BACKOFF_LAST_S, BACKOFF_FIRST_S * 2.0 ** min(attempt, 20))
    return full_s * rng.uniform(0.5, 1.0)
