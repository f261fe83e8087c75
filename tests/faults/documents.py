"""Every entry that accepts documents; a bad document must be refused in one line.

`ENTRIES` maps a name to a function that builds one spoilt document from a seed and hands it in; it
returns whether the document was accepted. Anything but an expected refusal is a failure.
"""

from __future__ import annotations

import asyncio
import json
import random
import shutil
import tempfile
import tomllib
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import httpx
from pydantic import ValidationError

from evenwall.cli import gel as gel_command
from evenwall.errors import EvenwallError, InputError
from evenwall.history.export import read_export
from evenwall.model import Measured, Plan, parse, read_casting, read_plan, read_resin, read_rig
from evenwall.model.orders import ORDERS
from evenwall.run.gate import admit
from evenwall.service.library import Library
from evenwall.telemetry.messages import CommandSaid, SignedCommand
from evenwall_web.app import create_app
from evenwall_web.settings import Settings
from tests.faults.binaries import mesh_file, photograph
from tests.support.hostile import damaged, spoilt
from tests.support.virtual_shop import SAMPLES, lantern_plan, sample_rig
from tests.web.rigged import open_rigged

ROOT = Path(__file__).resolve().parents[2]
ROUNDED = 1.011  # a plan's file may be over a limit by its rounding, a hundredth


@cache
def good_plan() -> dict[str, Any]:
    """A small plan with every part that a plan may have."""
    plan: dict[str, Any] = lantern_plan().model_dump(mode="json")
    for coat in plan["coats"]:  # enough of them to spoil, few enough to be quick
        coat["ramps"], coat["viscosity"] = coat["ramps"][:12], coat["viscosity"][::8]
    return plan


def one_line(error: EvenwallError) -> None:
    """Check that a refusal is one short line."""
    said = str(error)
    assert "\n" not in said.strip(), said
    assert len(said) < 1500, said[:200]


def plan_sent(draw: random.Random) -> bool:
    """A plan as the network sends it, and as the record would keep it."""
    document = spoilt(good_plan(), draw)
    try:
        plan = admit(parse(Plan, document, "plan"), sample_rig())
    except InputError as error:
        one_line(error)
        return False
    rig = sample_rig()
    for coat in plan.coats:
        before = (0.0, 0.0)
        for ramp in coat.ramps:
            rates = (ramp.major_rpm, ramp.minor_rpm)
            for was, now in zip(before, rates, strict=True):
                assert abs(now) <= ROUNDED * rig.rate_limit_rpm
                assert abs(now - was) <= ROUNDED * rig.accel_limit_rpm_s * ramp.duration_s
            before = rates
    assert Plan.model_validate_json(plan.model_dump_json()) == plan
    return True


def as_toml(table: Any) -> str:
    """Return a plain table as TOML; values that TOML cannot hold are left as Python prints them."""

    def word(value: Any) -> str:
        if isinstance(value, dict):
            return "{" + ", ".join(f"{json.dumps(k)} = {word(v)}" for k, v in value.items()) + "}"
        if isinstance(value, list | tuple):
            return "[" + ", ".join(word(one) for one in value) + "]"
        if isinstance(value, str):
            return json.dumps(value)
        return str(value).lower() if isinstance(value, bool | float) else str(value)

    return "".join(f"{json.dumps(str(key))} = {word(value)}\n" for key, value in table.items())


def _file(name: str, content: bytes, work: Callable[[Path], Any]) -> bool:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(content)
        for kept in ("quick-clear.toml", "lantern-globe.stl"):
            if kept != name:
                (Path(folder) / kept).symlink_to(SAMPLES / kept)
        try:
            work(path)
        except EvenwallError as error:
            one_line(error)
            return False
        return True


def _table(file: Path, draw: random.Random) -> bytes:
    """A hand-written file, spoilt as a table or as bytes."""
    if draw.random() < 0.3:
        return damaged(file.read_bytes(), draw)
    document = spoilt(tomllib.loads(file.read_text(encoding="utf-8")), draw)
    return as_toml(document).encode("utf-8", "surrogatepass")


def casting_file(draw: random.Random) -> bool:
    name = "lantern-globe.toml"
    return _file(name, _table(SAMPLES / name, draw), read_casting)


def resin_file(draw: random.Random) -> bool:
    name = "quick-clear.toml"
    return _file(name, _table(SAMPLES / name, draw), read_resin)


def rig_file(draw: random.Random) -> bool:
    rig = ROOT / "hardware" / "rigs" / "great.toml"
    return _file("rig.toml", _table(rig, draw), read_rig)


def plan_file(draw: random.Random) -> bool:
    if draw.random() < 0.4:
        content = damaged(json.dumps(good_plan()).encode(), draw)
    else:
        content = json.dumps(spoilt(good_plan(), draw)).encode()
    return _file("plan.json", content, read_plan)


TRACE = "time_s,probe_degC,ambient_degC\n" + "".join(
    f"{10 * n},{21.0 + 0.01 * n * n:.2f},21.0\n" for n in range(20)
)
CASE = """[sheet]
pot_life_min = 14
mixed_viscosity_mPa_s = 300.0
mix_ratio_b_per_100a = 50.0
mixed_density_g_cm3 = 1.08
[case]
placement = "cup"
probe = "digital_1wire"
cup_mass_g = 114.0
coat_mm = 1.3
wall_mm = 15.0
wall_material = "silicone rubber"
poured_at_s = 150
"""


def trace_file(draw: random.Random) -> bool:
    """Only the rows are read: their effect on the estimator has separate tests."""
    content = TRACE.encode()
    if draw.random() < 0.6:
        content = damaged(content, draw)
    else:
        cells = [line.split(",") for line in TRACE.splitlines()]
        cells = spoilt(cells, draw)
        rows = cells if isinstance(cells, list) else []
        content = "\n".join(
            ",".join(map(str, row)) if isinstance(row, list) else str(row) for row in rows
        ).encode("utf-8", "surrogatepass")
    name = "trace.csv.gz" if draw.random() < 0.2 else "trace.csv"
    return _file(name, content, lambda path: list(gel_command.read_trace(path)))


def measures(draw: random.Random) -> bool:
    good = {
        "weight_g": 331.0,
        "rim_mm": [4.1, 4.2],
        "spots": [{"where": "shoulder", "wall_mm": 4.4}],
    }
    document = spoilt(good, draw)
    try:
        found = parse(Measured, document, "measure")
    except InputError as error:
        one_line(error)
        return False
    assert json.loads(found.model_dump_json()) is not None
    return True


def mqtt_payload(draw: random.Random) -> bool:
    said = {"name": "note", "key": "key-1", "utc": "2026-11-30T05:00:00+00:00", "who": "script",
            "step_id": None, "data": {"text": "x"}}  # fmt: skip
    command = json.dumps(spoilt(said, draw))
    message: Any = {"command": command, "mac": "0" * 64}
    payload = json.dumps(spoilt(message, draw) if draw.random() < 0.3 else message).encode()
    if draw.random() < 0.3:
        payload = damaged(payload, draw)
    try:
        signed = SignedCommand.model_validate_json(payload)
        CommandSaid.model_validate_json(signed.command)
    except (ValidationError, ValueError):
        return False
    return True


GOOD_DATA: dict[str, Any] = {
    "start": {"plan": None},
    "touch": {"what": "cup"},
    "weigh": {"part_a_g": 76.4, "part_b_g": 38.2},
    "weigh_back": {"cup_left_g": 3.0, "spill_g": 0.5},
    "note": {"text": "x"},
    "answer": {"question": "weights_off", "value": "go_on"},
    "measure": {"weight_g": 331.0, "rim_mm": [4.1]},
    "prove": {"run_id": "20260105-090000-1", "weight_g": 331.0},
    "abandon": {"reason": "x"},
}


class Panel:
    """The panel's own code in this process, with one phone that may act."""

    def __init__(self) -> None:
        self._loop, self._rig = asyncio.new_event_loop(), open_rigged()
        self.rig = self._loop.run_until_complete(self._rig.__aenter__())
        self.clock = self.rig.clock
        self.app = create_app(self.rig.service, Settings(), self.clock)

    def close(self) -> None:
        self._loop.run_until_complete(self._rig.__aexit__(None, None, None))
        self._loop.run_until_complete(self._loop.shutdown_default_executor())
        self._loop.close()

    def ask(self, path: str, body: bytes, kind: str) -> httpx.Response:
        """Answer to a request; a run is on when it comes."""
        return self._loop.run_until_complete(self._ask(path, body, kind))

    async def _ask(self, path: str, body: bytes, kind: str) -> httpx.Response:
        transport = httpx.ASGITransport(self.app, client=("127.0.0.1", 5000))
        client = httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1")
        async with client:
            people = self.app.state.people
            if not people.sessions():
                people.pair(people.invite("operate").code, "a phone", "127.0.0.1")
                self.token, self.session = people.pair(
                    people.invite("operate").code, "a phone", "127.0.0.1"
                )
            await self.rig.begin()
            await self.rig.pass_s(10.0)  # another test covers the limits on commands
            client.cookies.set("evenwall", self.token)
            headers = {"content-type": kind, "x-evenwall-csrf": self.session.csrf}
            return await client.post(path, content=body, headers=headers)


@cache
def panel() -> Panel:
    return Panel()


def close_panel() -> None:
    """Close the panel, if it was opened."""
    if panel.cache_info().currsize:
        panel().close()
        panel.cache_clear()


def http_body(draw: random.Random) -> bool:
    """A body sent to every route that takes one."""
    name = draw.choice([*ORDERS, "plans", "pair", "invites"])
    if name in ORDERS:
        data = good_plan() if name == "start" else GOOD_DATA.get(name, {})
        data = {"plan": data} if name == "start" else data
        good: Any = {"key": f"key-{draw.randrange(10**9):09d}", "data": data}
        path = f"/api/command/{name}"
    else:
        path = f"/api/{name}"
        good = {
            "plans": {"casting_id": "globe", "overrides": {"wall_mm": 4.5, "shop": {}}},
            "pair": {"code": "0000-0000", "name": "a phone"},
            "invites": {"role": "watch"},
        }[name]
    body = json.dumps(spoilt(good, draw)).encode()
    if draw.random() < 0.2:
        body = damaged(body, draw)
    kind = draw.choice(("application/json",) * 8 + ("text/plain", "multipart/form-data", ""))
    answer = panel().ask(path, body, kind)
    assert answer.status_code < 500 or answer.status_code == 503, (path, answer.text[:300])
    for secret in ("/work/", "/home/", "/tmp/", str(ROOT), "Traceback"):
        assert secret not in answer.text, answer.text[:300]
    return answer.status_code < 400


EVENTS = (
    "event_id,run_id,at_s,utc,kind,data_json\n"
    '1,x,0,2026-01-05T09:00:00+00:00,started,"{""simulated"": true}"\n'
    '2,x,5,2026-01-05T09:00:05+00:00,stepped,"{""step"": ""weigh"", ""coat"": 1}"\n'
    '3,x,60,2026-01-05T09:01:00+00:00,abandoned,"{""reason"": ""x""}"\n'
)
SAMPLES_CSV = "at_s,coat,probe_degC\n1,1,21.0\n2,1,21.1\n"


def imported_run(draw: random.Random) -> bool:
    """An exported folder, with one of its files spoilt."""
    about: Any = {
        "kind": "evenwall/run",
        "version": 1,
        "run_id": "20260105-090000-1",
        "plan": good_plan(),
    }
    files = {"events.csv": EVENTS.encode(), "samples.csv": SAMPLES_CSV.encode()}
    if draw.random() < 0.5:
        name = draw.choice(list(files))
        files[name] = damaged(files[name], draw)
    else:
        about = spoilt(about, draw)
    with tempfile.TemporaryDirectory() as folder:
        for name, content in files.items():
            (Path(folder) / name).write_bytes(content)
        (Path(folder) / "run.json").write_text(json.dumps(about))
        try:
            run = read_export(Path(folder))
        except EvenwallError as error:
            one_line(error)
            return False
    assert json.dumps([event.data for event in run.events], allow_nan=False)
    return True


@cache
def library() -> Library:
    folder = Path(tempfile.mkdtemp(prefix="evenwall-library-"))
    shutil.copytree(SAMPLES, folder, dirs_exist_ok=True)
    return Library(folder)


def library_entry(draw: random.Random) -> bool:
    """A resin or a casting as the page's forms send it, kept in the folder of a shop."""
    resin = draw.random() < 0.5
    file = SAMPLES / ("quick-clear.toml" if resin else "lantern-globe.toml")
    table = spoilt(tomllib.loads(file.read_text(encoding="utf-8")), draw)
    if not isinstance(table, dict):
        return False
    shop = library()
    try:
        if resin:
            shop.keep_resin("tried", table, True)
        else:
            shop.keep_casting("tried", table, None, True)
    except EvenwallError as error:
        one_line(error)
        assert not list(shop.folder.glob("*tried*")), "a refused file was kept"
        return False
    (read_resin if resin else read_casting)(shop.folder / "tried.toml")
    (shop.folder / "tried.toml").unlink()
    return True


ENTRIES: dict[str, Callable[[random.Random], bool]] = {
    "plan sent": plan_sent,
    "plan file": plan_file,
    "casting file": casting_file,
    "resin file": resin_file,
    "rig file": rig_file,
    "trace file": trace_file,
    "measures": measures,
    "MQTT payload": mqtt_payload,
    "HTTP body": http_body,
    "imported run": imported_run,
    "library": library_entry,
    "photograph": photograph,
    "mesh": mesh_file,
}
