"""Sends the run's calls to locked phones, a webhook and a broker, and reports whom each reached.

`evenwall.run.calls` makes the calls and decides when they are repeated.
"""

from __future__ import annotations

import asyncio
import json
import uuid
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager
from typing import Any, Self

from evenwall.model import CallsSpec, Command, Event, Plan
from evenwall.run.events import CALLS
from evenwall.run.orders import ReportCall
from evenwall.run.supervisor import Supervisor
from evenwall.telemetry.publisher import BrokerAway, Telemetry
from evenwall_web.phones import Phones
from evenwall_web.sending import NotSent, Post, post

Call = Mapping[str, Any]  # call, urgency, number, sentence, rig, run_id
Channel = Callable[[Call], Awaitable[str]]  # returns the receiver; empty if there is none
TITLES = {"act_now": "Act now", "caution": "Look at the rig", "hands": "Hands wanted"}


def by_push(phones: Phones) -> Channel:
    """Channel to the phones that asked to be called while locked."""

    async def send(call: Call) -> str:
        if not len(phones):
            return ""
        message = {
            "title": f"{TITLES[call['urgency']]}: {call['rig']}",
            "body": call["sentence"],
            "tag": call["call"],
            "urgent": call["urgency"] == "act_now",
        }
        reached = await phones.call(message, urgent=call["urgency"] == "act_now")
        return f"{reached} phone" + ("" if reached == 1 else "s")

    return send


def by_webhook(url: str, send_out: Post = post) -> Channel:
    """Channel to any address that accepts a POST of plain JSON."""

    async def send(call: Call) -> str:
        headers = {"Content-Type": "application/json"}
        status = await send_out(url, headers, json.dumps(dict(call)).encode())
        if not 200 <= status < 300:
            raise NotSent(f"the webhook answered {status}")
        return "the webhook"

    return send


def by_broker(telemetry: Telemetry) -> Channel:
    """Channel to all listeners of the broker's topic `call`."""

    async def send(call: Call) -> str:
        try:
            await telemetry.call(call)
        except BrokerAway as error:
            raise NotSent(str(error)) from None
        return "the broker"

    return send


def channels_of(
    spec: CallsSpec | None, phones: Phones, telemetry: Telemetry | None = None
) -> dict[str, Channel]:
    """Return the channels by name: phones always, a webhook and a broker if there are any."""
    found = {"push": by_push(phones)}
    if telemetry is not None:
        found["broker"] = by_broker(telemetry)
    if spec is not None:
        phones.contact = spec.contact
        if spec.webhook:
            found["webhook"] = by_webhook(spec.webhook)
    return found


class Caller:
    """Sends each call of the run as it is made. A slow or lost channel delays nothing else."""

    def __init__(self, supervisor: Supervisor, rig: str, channels: Mapping[str, Channel]) -> None:
        self._supervisor, self._rig, self._channels = supervisor, rig, channels
        self._sending: set[asyncio.Task[None]] = set()
        self._before = supervisor.on_event

    def __enter__(self) -> Self:
        self._supervisor.on_event = self._hear
        return self

    def __exit__(self, *_: object) -> None:
        self._supervisor.on_event = self._before

    async def end(self) -> None:
        """Cancel the calls that are still being sent."""
        for task in self._sending:
            task.cancel()
        await asyncio.gather(*self._sending, return_exceptions=True)

    def _hear(self, row: Event, plan: Plan) -> None:
        if self._before is not None:
            self._before(row, plan)
        if row.kind not in CALLS:
            return
        call = {**row.data, "rig": self._rig, "run_id": row.run_id}
        for name, channel in self._channels.items():
            work = _send(self._supervisor, call, name, channel)
            task = asyncio.get_running_loop().create_task(work)
            self._sending.add(task)
            task.add_done_callback(self._sending.discard)


async def _send(supervisor: Supervisor, call: Call, name: str, channel: Channel) -> None:
    reached, why = "", ""
    try:
        reached = await channel(call)
    except NotSent as error:
        why = str(error)
    if not reached and not why:
        return  # nobody has asked to be called this way
    told = ReportCall(
        call=call["call"], number=call["number"], channel=name, reached=reached, why=why
    )
    await supervisor.command(Command(key=uuid.uuid4().hex, who="calls", order=told))


@asynccontextmanager
async def calling(
    supervisor: Supervisor, rig: str, channels: Mapping[str, Channel]
) -> AsyncIterator[None]:
    """Send calls until the block ends. Calls made before it began are not sent again."""
    with Caller(supervisor, rig, channels) as caller:
        try:
            yield
        finally:
            await caller.end()
