"""MQTT messages of a rig: topics and payloads, made from a snapshot without any I/O.

Every payload carries `rig`, `session` (new with every start of the controller), `seq` (counts up by
one per topic and session, so a gap shows a lost message) and `utc`. Times left are seconds of the
wall clock. `web/guide/asyncapi.yaml` is written from this file; see `asyncapi()`.
"""

from __future__ import annotations

import re
from typing import Any, Literal

from pydantic import Field

from evenwall.model import Frozen, RigSpec, Snapshot, Step, StreamItem

PREFIX = "evenwall"


def rig_id(rig: RigSpec) -> str:
    """Rig's part of its topics: given in the rig file, or made from its name."""
    if rig.mqtt and rig.mqtt.rig_id:
        return rig.mqtt.rig_id
    return re.sub(r"[^a-z0-9]+", "-", rig.name.lower()).strip("-")[:40] or "rig"


def topic(rig: str, name: str) -> str:
    return f"{PREFIX}/{rig}/{name}"


class Head(Frozen):
    rig: str
    session: str
    seq: int = Field(ge=0)
    utc: str


class Online(Head):
    """Whether the controller of this rig is on the broker; the last will says when it is lost."""

    online: bool
    why: Literal["started", "closed", "lost"]
    simulated: bool


class AlertSaid(Frozen):
    kind: str
    sentence: str
    severity: Literal["note", "caution", "act_now"]


class Now(Head):
    """The card of a rig: what it is doing and what a person should do next. Sent every period."""

    name: str
    simulated: bool
    run_id: str | None
    casting: str
    resin: str
    step: Step
    coat: int
    coats: int
    sentence: str
    countdown: str | None = Field(description="what the time left leads to")
    left_s: float | None = Field(description="seconds left when sent; negative when overdue")
    person: bool = Field(description="a person is asked to do something")
    turning: bool
    guard_closed: bool
    alerts: tuple[AlertSaid, ...]


class Temperature(Head):
    probe_degC: float | None
    room_degC: float | None
    mould_degC: float | None
    peak_limit_degC: float | None


class Speeds(Head):
    mode: str
    paused: bool
    guard_closed: bool
    major_rpm: float
    minor_rpm: float
    major_turns: float
    minor_turns: float


class GelSaid(Head):
    """The coat's gel estimate, seconds since its parts met."""

    coat: int
    best_s: float | None
    low_s: float | None
    high_s: float | None
    safe_to_stop_s: float | None
    called_at_s: float | None
    probability_gelled: float = Field(ge=0, le=1)


class CoatSaid(Head):
    coat: int
    coats: int
    step: Step
    planned_mm: float | None
    planned_mix_g: float | None
    part_a_g: float | None
    part_b_g: float | None
    gel_planned_s: float | None
    gel_detected_s: float | None
    done: bool


class Faults(Head):
    board: tuple[str, ...] = Field(description="latched faults of the board")
    gel: tuple[str, ...] = Field(description="faults of the probe or the cure")
    alerts: tuple[AlertSaid, ...]


class CallSaid(Head):
    """A person is called: sent once for each time that the rig calls."""

    call: str = Field(description="reason: an alert's kind, next_coat or open_mould")
    urgency: Literal["act_now", "caution", "hands"]
    number: int = Field(ge=1, description="1 for the first call, 2 when it is repeated ...")
    sentence: str
    run_id: str


class Row(Frozen):
    seq: int = Field(
        ge=1, description="number of the row in the journal: drop rows that you already have"
    )
    kind: Literal["event", "sample"]
    data: dict[str, Any]


class JournalRows(Head):
    """Rows of the record, in order; sent again until the broker acknowledges them."""

    rows: tuple[Row, ...] = Field(min_length=1)


class SignedCommand(Frozen):
    """`mac` is the hexadecimal HMAC-SHA256 of the bytes of `command` under the shared secret."""

    command: str = Field(max_length=4000, description="a JSON document, see CommandSaid")
    mac: str = Field(pattern=r"^[0-9a-f]{64}$")


class CommandSaid(Frozen):
    name: str
    key: str = Field(
        min_length=1, max_length=80, description="a repeated key gets the first answer again"
    )
    utc: str = Field(description="when signed; older than a minute is refused")
    who: str = Field(min_length=1, max_length=40)
    step_id: str | None = None
    data: dict[str, Any] = Field(default_factory=dict)


class AnswerSaid(Head):
    key: str
    accepted: bool
    sentence: str


STATES: dict[str, type[Head]] = {
    "now": Now,
    "temperature": Temperature,
    "speeds": Speeds,
    "gel": GelSaid,
    "coat": CoatSaid,
    "faults": Faults,
}


def states(snapshot: Snapshot, head: Head) -> dict[str, Head]:
    """Retained state of a rig, by topic name."""
    said, frame = head.model_dump(), snapshot.frame
    alerts = tuple(
        AlertSaid(kind=a.kind, sentence=a.sentence, severity=a.severity) for a in snapshot.alerts
    )
    return {
        "now": _now(snapshot, said, alerts),
        "temperature": Temperature(
            **said,
            probe_degC=snapshot.probe_degC,
            room_degC=snapshot.room_degC,
            mould_degC=snapshot.mould_degC,
            peak_limit_degC=snapshot.peak_limit_degC,
        ),
        "speeds": Speeds(
            **said,
            mode=frame.mode,
            paused=frame.paused,
            guard_closed=frame.guard_closed,
            major_rpm=round(frame.major.rate_rpm, 4),
            minor_rpm=round(frame.minor.rate_rpm, 4),
            major_turns=round(frame.major.turns, 3),
            minor_turns=round(frame.minor.turns, 3),
        ),
        "gel": GelSaid(
            **said,
            coat=snapshot.coat,
            best_s=snapshot.gel.best_s,
            low_s=snapshot.gel.low_s,
            high_s=snapshot.gel.high_s,
            safe_to_stop_s=snapshot.gel.safe_to_stop_s,
            called_at_s=snapshot.gel.called_at_s,
            probability_gelled=snapshot.gel.probability_gelled,
        ),
        "coat": _coat(snapshot, said),
        "faults": Faults(**said, board=frame.faults, gel=snapshot.gel.faults, alerts=alerts),
    }


def _now(snapshot: Snapshot, said: dict[str, Any], alerts: tuple[AlertSaid, ...]) -> Now:
    count = snapshot.countdown
    left_s = None if count is None else (count.until_s - snapshot.now_s) / snapshot.speed
    return Now(
        **said,
        name=snapshot.rig,
        simulated=snapshot.simulated,
        run_id=snapshot.run_id,
        casting=snapshot.casting,
        resin=snapshot.resin,
        step=snapshot.step,
        coat=snapshot.coat,
        coats=len(snapshot.coats),
        sentence=snapshot.sentence,
        countdown=None if count is None else count.label,
        left_s=None if left_s is None else round(left_s, 2),
        person=snapshot.next_button is not None and snapshot.next_button.enabled,
        turning=snapshot.frame.mode == "turning",
        guard_closed=snapshot.frame.guard_closed,
        alerts=alerts,
    )


def _coat(snapshot: Snapshot, said: dict[str, Any]) -> CoatSaid:
    coat = next((c for c in snapshot.coats if c.coat == snapshot.coat), None)
    return CoatSaid(
        **said,
        coat=snapshot.coat,
        coats=len(snapshot.coats),
        step=snapshot.step,
        planned_mm=coat.planned_mm if coat else None,
        planned_mix_g=coat.planned_mix_g if coat else None,
        part_a_g=coat.part_a_g if coat else None,
        part_b_g=coat.part_b_g if coat else None,
        gel_planned_s=coat.gel_planned_s if coat else None,
        gel_detected_s=coat.gel_detected_s if coat else None,
        done=coat.done if coat else False,
    )


def row(item: StreamItem) -> Row | None:
    """Journal row of a stream item; None for a snapshot."""
    if item.kind == "snapshot":
        return None
    return Row(seq=item.item_id, kind=item.kind, data=item.data)


# --- The description -----------------------------------------------------------------------------

STATE_EXPIRY_S = 120  # retained state expires when nobody renews it
CALL_EXPIRY_S = 600  # by then the call was answered or repeated
JOURNAL_EXPIRY_S = 7 * 24 * 3600

_ON_CHANGE = "on change, at least every 30 s"
_STATE = {"qos": 0, "retain": True, "messageExpiryInterval": STATE_EXPIRY_S}
# Payload, MQTT binding (AsyncAPI MQTT bindings, version 0.2.0), and the occasion of sending.
_SENT: dict[str, tuple[type[Head], dict[str, Any], str]] = {
    "online": (
        Online,
        {"qos": 1, "retain": True},
        "on connecting and on leaving, and as the last will",
    ),
    "now": (Now, _STATE, "every period"),
    "temperature": (Temperature, _STATE, _ON_CHANGE),
    "speeds": (Speeds, _STATE, _ON_CHANGE),
    "gel": (GelSaid, _STATE, _ON_CHANGE),
    "coat": (CoatSaid, _STATE, _ON_CHANGE),
    "faults": (Faults, _STATE, _ON_CHANGE),
    "journal": (
        JournalRows,
        {"qos": 1, "retain": False, "messageExpiryInterval": JOURNAL_EXPIRY_S},
        "in order, sent again after an outage",
    ),
    "call": (
        CallSaid,
        {"qos": 1, "retain": False, "messageExpiryInterval": CALL_EXPIRY_S},
        "each time a person is called; never for a call that has ended",
    ),
    "answer": (
        AnswerSaid,
        {"qos": 1, "retain": False, "messageExpiryInterval": STATE_EXPIRY_S},
        "one for every signed and allowed command",
    ),
}


def asyncapi() -> dict[str, Any]:
    """AsyncAPI 3.0 document of these topics, with payloads as JSON Schema."""
    channels: dict[str, Any] = {}
    operations: dict[str, Any] = {}
    schemas: dict[str, Any] = {}

    def describe(
        name: str, model: type[Frozen], action: str, sent: dict[str, Any], summary: str
    ) -> None:
        schema = model.model_json_schema(
            mode="serialization", ref_template="#/components/schemas/{model}"
        )
        schemas.update(schema.pop("$defs", {}))
        schemas[model.__name__] = schema
        channels[name] = {
            "address": topic("{rig}", name),
            "parameters": {"rig": {"description": "mqtt.rig_id of the rig file, or its name"}},
            "messages": {
                name: {
                    "contentType": "application/json",
                    "summary": summary,
                    "payload": {"$ref": f"#/components/schemas/{model.__name__}"},
                }
            },
        }
        operations[f"{action}_{name}"] = {
            "action": action,
            "channel": {"$ref": f"#/channels/{name}"},
            "messages": [{"$ref": f"#/channels/{name}/messages/{name}"}],
            "bindings": {"mqtt": {**sent, "bindingVersion": "0.2.0"}},
        }

    for name, (model, sent, summary) in _SENT.items():
        describe(name, model, "send", sent, summary)
    summary = "only with mqtt.commands in the rig file"
    describe("command", SignedCommand, "receive", {"qos": 1, "retain": False}, summary)
    schemas["CommandSaid"] = CommandSaid.model_json_schema()
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Messages of an Evenwall rig over MQTT",
            "version": "1.0.0",
            "description": (__doc__ or "").split("`web")[0].strip(),
            "license": {"name": "Apache-2.0"},
        },
        "defaultContentType": "application/json",
        "channels": channels,
        "operations": operations,
        "components": {"schemas": schemas},
    }
