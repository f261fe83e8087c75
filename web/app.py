"""The panel's HTTP side: one page, one stream of server-sent events, commands.

The web sees the service and the model alone. Answers that go wrong carry `{"detail": sentence}`;
a command the run refuses is 409 with the sentence that says what is due instead.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
from base64 import b64encode
from collections.abc import AsyncIterator
from dataclasses import dataclass
from functools import partial
from http import HTTPStatus
from pathlib import Path
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, FastAPI, Header, HTTPException, Query, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import FileResponse, HTMLResponse, JSONResponse
from fastapi.sse import EventSourceResponse, ServerSentEvent
from jinja2 import Environment, FileSystemLoader
from pydantic import Field
from starlette.middleware.gzip import GZipMiddleware
from starlette.staticfiles import StaticFiles

from evenwall.errors import EvenwallError, InputError, said_outside
from evenwall.model import (
    Answer,
    CastingCard,
    Command,
    Comparison,
    Event,
    Frozen,
    Plan,
    PlanJob,
    RecordLine,
    ResinCard,
    RunCard,
    Sample,
    Snapshot,
)
from evenwall.service.facade import Service
from evenwall_bridge.clock import SystemClock
from evenwall_bridge.contract import Clock
from evenwall_web.commands import COMMANDS, Ask, Id, ask_for
from evenwall_web.door import Door
from evenwall_web.people import Limiter, People, Role, Session
from evenwall_web.reading import reading
from evenwall_web.settings import LOOPBACK, Settings

PANEL = Path(__file__).parent / "panel"
BEAT_s = 1.0  # a page that hears nothing for three of these says so


class Problem(Frozen):
    """What a refused request answers."""

    detail: str | list[dict[str, Any]]


def _may(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """The documented refusals of a route; the door's own are everywhere."""
    return {
        status: {"model": Problem, "description": HTTPStatus(status).phrase}
        for status in (*statuses, 421, 503)
    }


# --- Who is asking ---------------------------------------------------------------------------


@dataclass(frozen=True)
class Desk:
    """What the routes share."""

    service: Service
    people: People
    settings: Settings
    commands: Limiter
    work: Limiter
    closing: asyncio.Event  # set when the server ends: streams end with it


def desk_of(request: Request) -> Desk:
    desk: Desk = request.app.state.desk
    return desk


def peer_of(request: Request) -> str:
    return request.client.host if request.client else "unknown"


def cookie_name(settings: Settings) -> str:
    return "__Host-evenwall" if settings.tls else "evenwall"


def session_of(request: Request) -> Session | None:
    desk = desk_of(request)
    return desk.people.who(request.cookies.get(cookie_name(desk.settings)))


def watcher(request: Request) -> Session | None:
    """Whoever may read: a paired phone, or anyone on the rig's own machine."""
    session = session_of(request)
    if session is None and not _local(request):
        raise HTTPException(401, "Pair this phone first: the code is on the rig's console.")
    return session


def _local(request: Request) -> bool:
    return peer_of(request) in {*LOOPBACK, "testclient"} and request.url.hostname in {
        *LOOPBACK,
        "testserver",
    }


def operator(
    request: Request,
    x_evenwall_csrf: Annotated[str, Header(description="As /api/session gives it.")] = "",
) -> Session:
    """A paired phone that may act, asking through our own page."""
    session = session_of(request)
    if session is None:
        raise HTTPException(401, "Pair this phone first: the code is on the rig's console.")
    if session.role != "operate":
        raise HTTPException(403, "This phone may watch, not act.")
    if request.method != "GET" and x_evenwall_csrf != session.csrf:
        raise HTTPException(403, "The request did not come from the panel's page.")
    return session


Watcher = Annotated[Session | None, Depends(watcher)]
Operator = Annotated[Session, Depends(operator)]
AtDesk = Annotated[Desk, Depends(desk_of)]

api = APIRouter(prefix="/api")


# --- Watching --------------------------------------------------------------------------------


@api.get("/snapshot", responses=_may(401))
async def snapshot(desk: AtDesk, _: Watcher) -> Snapshot:
    """All that a screen needs to draw itself from nothing."""
    return desk.service.snapshot()


@api.get("/stream", response_class=EventSourceResponse, responses=_may(401, 422))
async def stream(
    desk: AtDesk,
    session: Watcher,
    after: Annotated[int | None, Query(ge=0, le=2**53)] = None,
    last_event_id: Annotated[str | None, Header(pattern=r"^\d{1,16}$")] = None,
) -> AsyncIterator[ServerSentEvent]:
    """Snapshots, samples and events as they happen; `Last-Event-ID` or `after` resumes.

    A `beat` each second says the line is alive; after three without one a page is stale.
    """
    after_id = int(last_event_id) if last_event_id else after
    items = aiter(desk.service.watch(after_id))
    closing = asyncio.ensure_future(desk.closing.wait())
    pending = asyncio.ensure_future(anext(items))
    try:
        while session is None or desk.people.alive(session.session_id):
            await asyncio.wait(
                {pending, closing}, timeout=BEAT_s, return_when=asyncio.FIRST_COMPLETED
            )
            if closing.done():
                return
            if not pending.done():
                now_s = desk.service.snapshot().now_s
                yield ServerSentEvent(event="beat", raw_data=json.dumps({"now_s": now_s}))
                continue
            item = pending.result()
            pending = asyncio.ensure_future(anext(items))
            yield ServerSentEvent(
                event=item.kind, id=str(item.item_id), raw_data=json.dumps(item.data)
            )
    except StopAsyncIteration:
        return
    finally:
        closing.cancel()
        pending.cancel()


@api.get("/curve", responses=_may(401, 404, 422))
async def curve(
    desk: AtDesk,
    _: Watcher,
    run_id: Id | None = None,
    after_id: Annotated[int, Query(ge=0, le=2**53)] = 0,
    points: Annotated[int, Query(ge=10, le=20_000)] = 2000,
) -> list[Sample]:
    """The measured curve, thinned to about `points` rows."""
    return await desk.service.curve(run_id, after_id, points)


# --- Choosing and planning ---------------------------------------------------------------------


Text = Annotated[str, Field(max_length=120)]
Name = Annotated[str, Field(max_length=60)]
Value = float | int | Text | None


class PlanWish(Frozen):
    """What to plan; `overrides` are fields of the casting as its file has them."""

    casting_id: Id
    overrides: dict[Name, Value | dict[Name, Value]] = Field(default_factory=dict, max_length=20)


@api.get("/castings", responses=_may(401))
async def castings(desk: AtDesk, _: Watcher) -> list[CastingCard]:
    """The casting files of this shop."""
    return await desk.service.castings()


@api.get("/resins", responses=_may(401))
async def resins(desk: AtDesk, _: Watcher) -> list[ResinCard]:
    """The resin sheets of this shop."""
    return await desk.service.resins()


@api.post("/plans", status_code=202, responses=_may(400, 401, 403, 404, 409, 413, 422, 429))
async def start_plan(wish: PlanWish, desk: AtDesk, session: Operator) -> PlanJob:
    """Start planning a casting; ask for the job until it is done."""
    if not desk.work.allow(session.session_id):
        raise HTTPException(429, "Too many plans at once; wait a little.")
    return await desk.service.start_plan(wish.casting_id, dict(wish.overrides))


@api.get("/plans/{job_id}", responses=_may(401, 404, 422))
async def plan_job(job_id: Id, desk: AtDesk, _: Watcher) -> PlanJob:
    """A plan in the making, or made."""
    job = await desk.service.plan_job(job_id)
    return job if job.plan is None else job.model_copy(update={"plan": _pathless(job.plan)})


@api.get("/mesh/{run_or_job_id}", responses=_may(401, 404, 422))
async def wall_mesh(run_or_job_id: Id, desk: AtDesk, _: Watcher) -> dict[str, Any]:
    """The casting's surface with the predicted wall at each vertex. Takes its seconds."""
    working = asyncio.ensure_future(desk.service.wall_mesh(run_or_job_id))
    closing = asyncio.ensure_future(desk.closing.wait())
    try:
        await asyncio.wait({working, closing}, return_when=asyncio.FIRST_COMPLETED)
        if not working.done():
            raise HTTPException(503, "The controller is ending.")
        mesh = working.result()
    finally:
        working.cancel()
        closing.cancel()
    if mesh is None:
        raise HTTPException(404, "The wall of this casting has not been computed.")
    return mesh


def _pathless(plan: Plan) -> Plan:
    """The plan as it is sent: of the form's place on this machine its name alone."""
    casting = plan.casting.model_copy(update={"mesh": Path(plan.casting.mesh.name)})
    return plan.model_copy(update={"casting": casting})


# --- The record --------------------------------------------------------------------------------


@api.get("/runs", responses=_may(401))
async def runs(desk: AtDesk, _: Watcher) -> list[RunCard]:
    """Every run on record, newest first."""
    return await desk.service.runs()


@api.get("/runs/{run_id}", responses=_may(401, 404, 422))
async def run(run_id: Id, desk: AtDesk, _: Watcher) -> RunCard:
    return await desk.service.run(run_id)


@api.get("/runs/{run_id}/plan", responses=_may(401, 404, 422))
async def run_plan(run_id: Id, desk: AtDesk, _: Watcher) -> Plan:
    return _pathless(await desk.service.run_plan(run_id))


@api.get("/runs/{run_id}/events", responses=_may(401, 404, 422))
async def events(
    run_id: Id, desk: AtDesk, _: Watcher, after_id: Annotated[int, Query(ge=0, le=2**53)] = 0
) -> list[Event]:
    return await desk.service.events(run_id, after_id)


@api.get("/runs/{run_id}/record", responses=_may(401, 404, 422))
async def record(run_id: Id, desk: AtDesk, _: Watcher) -> list[RecordLine]:
    """What the record says, line by line, for people."""
    return await desk.service.record(run_id)


@api.get("/runs/{run_id}/compare", responses=_may(401, 404, 422))
async def compare(run_id: Id, desk: AtDesk, _: Watcher, against: Id | None = None) -> Comparison:
    """A run against another, figure by figure; a replay against the run it repeats."""
    return await desk.service.compare(run_id, against or "")


# --- Acting ------------------------------------------------------------------------------------


def _command_route(name: str, what: str) -> None:
    async def act(
        ask: Ask, request: Request, response: Response, desk: AtDesk, session: Operator
    ) -> Answer:
        # Stopping is never held back by a limit.
        if name != "stop_turning" and not desk.commands.allow(session.session_id):
            desk.people.note(session.name, session.role, peer_of(request), name, "too many")
            raise HTTPException(429, "Too many commands; wait a second.")
        command = Command(
            name=name,
            key=f"{session.session_id}:{ask.key}",
            step_id=ask.step_id,
            who=session.name,
            data=ask.plain_data(),
        )
        answer = await desk.service.command(command)
        outcome = "accepted" if answer.accepted else "refused"
        desk.people.note(session.name, session.role, peer_of(request), name, outcome)
        if not answer.accepted:
            response.status_code = 409
        return answer

    act.__annotations__["ask"] = ask_for(name)
    refusals = _may(400, 401, 403, 404, 413, 422, 429)
    refusals[409] = {"model": Answer, "description": "Refused by the run, with the reason."}
    api.add_api_route(
        f"/command/{name}",
        act,
        methods=["POST"],
        summary=what,
        operation_id=f"command_{name}",
        responses=refusals,
        tags=["command"],
    )


for _name, (_, _what) in COMMANDS.items():
    _command_route(_name, _what)


# --- Pairing -----------------------------------------------------------------------------------


class PairWish(Frozen):
    code: Annotated[str, Field(min_length=1, max_length=20)]
    name: Annotated[str, Field(min_length=1, max_length=40)] = "a phone"


class Me(Frozen):
    """Who this phone is to the rig."""

    role: Role | Literal["none"]
    name: str = ""
    session_id: str = ""
    csrf: str = ""


class SessionCard(Frozen):
    session_id: str
    name: str
    role: Role
    made_utc: str
    seen_utc: str
    this: bool


class InviteWish(Frozen):
    role: Role = "watch"


class InviteCard(Frozen):
    code: str
    role: Role
    url: str
    picture: list[str]
    lasts_s: float


@api.get("/session")
async def me(request: Request) -> Me:
    """Who this phone is; the page asks once as it opens."""
    session = session_of(request)
    if session is None:
        return Me(role="watch" if _local(request) else "none")
    return Me(
        role=session.role, name=session.name, session_id=session.session_id, csrf=session.csrf
    )


@api.post("/pair", responses=_may(400, 403, 413, 422, 429))
async def pair(wish: PairWish, request: Request, response: Response, desk: AtDesk) -> Me:
    """Spend a one-time code from the rig's console."""
    if not desk.people.may_try(peer_of(request)):
        raise HTTPException(429, "Too many tries; wait a minute.", {"Retry-After": "60"})
    paired = desk.people.pair(wish.code, wish.name, peer_of(request))
    if paired is None:
        raise HTTPException(403, "That code is not good. A new one is on the rig's console.")
    token, session = paired
    response.set_cookie(
        cookie_name(desk.settings),
        token,
        max_age=desk.settings.session_life_days * 86_400,
        httponly=True,
        samesite="strict",
        secure=desk.settings.tls,
        path="/",
    )
    return Me(
        role=session.role, name=session.name, session_id=session.session_id, csrf=session.csrf
    )


@api.get("/sessions", responses=_may(401, 403))
async def sessions(desk: AtDesk, mine: Operator) -> list[SessionCard]:
    """The paired phones."""
    return [
        SessionCard(
            session_id=s.session_id,
            name=s.name,
            role=s.role,
            made_utc=s.made_utc,
            seen_utc=s.seen_utc,
            this=s.session_id == mine.session_id,
        )
        for s in desk.people.sessions()
    ]


@api.post("/sessions/{session_id}/revoke", responses=_may(401, 403, 404, 422))
async def revoke(
    session_id: Id, request: Request, desk: AtDesk, mine: Operator
) -> list[SessionCard]:
    """Unpair a phone, at once."""
    if not desk.people.revoke(session_id):
        raise HTTPException(404, "No such phone is paired.")
    desk.people.note(mine.name, mine.role, peer_of(request), f"revoke {session_id}", "done")
    return await sessions(desk, mine)


@api.post("/invites", status_code=201, responses=_may(400, 401, 403, 413, 422, 429))
async def invite(wish: InviteWish, request: Request, desk: AtDesk, mine: Operator) -> InviteCard:
    """A one-time code for another phone."""
    if not desk.work.allow(mine.session_id):
        raise HTTPException(429, "Too many codes at once; wait a little.")
    fresh = desk.people.invite(wish.role)
    desk.people.note(mine.name, mine.role, peer_of(request), f"invite to {wish.role}", "done")
    return InviteCard(
        code=fresh.shown,
        role=fresh.role,
        url=fresh.url,
        picture=fresh.picture(),
        lasts_s=desk.settings.code_life_s,
    )


@api.get("/audit", responses=_may(401, 403))
async def audit(desk: AtDesk, _: Operator) -> list[dict[str, str]]:
    """Who asked for what, oldest first."""
    return desk.people.audit()


# --- The page ------------------------------------------------------------------------------------


class Page:
    """The one page, drawn once with the newest sentence so that it reads before any script runs."""

    def __init__(self) -> None:
        self.css = (PANEL / "panel.css").read_text(encoding="utf-8")
        templates = Environment(loader=FileSystemLoader(PANEL), autoescape=True)
        self._template = templates.get_template("index.html")
        digest = b64encode(hashlib.sha256(self.css.encode()).digest()).decode()
        self.policy = "; ".join(
            (
                "default-src 'none'",
                "script-src 'self'",
                f"style-src 'sha256-{digest}'",
                "img-src 'self' data:",
                "font-src 'self'",
                "connect-src 'self'",
                "manifest-src 'self'",
                "worker-src 'self'",
                "base-uri 'none'",
                "form-action 'none'",
                "frame-ancestors 'none'",
            )
        )

    def html(self, seen: Snapshot | None) -> str:
        return self._template.render(css=self.css, seen=seen, modules=_MODULES)


_MODULES = sorted(file.name for file in PANEL.glob("*.js") if file.name != "sw.js")


def create_app(service: Service, settings: Settings, clock: Clock | None = None) -> FastAPI:
    """The panel over a service. `clock` is real time even where the rig's runs faster.

    `app.state.people` makes pairing codes for the console to show; setting `app.state.closing`
    ends the streams, which would hold a server open.
    """
    from evenwall_web import library, metrics  # whose routes ask at this module's desk

    clock = clock or SystemClock()
    page = Page()
    people = People(
        clock,
        settings.address,
        settings.state_dir,
        settings.code_life_s,
        settings.session_life_days,
        partial(service.notice, "panel"),
    )
    app = FastAPI(title="Evenwall", version="1", docs_url=None, redoc_url=None)
    app.state.people = people
    app.state.closing = asyncio.Event()
    app.state.desk = Desk(
        service,
        people,
        settings,
        commands=Limiter(clock, burst=30, per_s=5),
        work=Limiter(clock, burst=10, per_s=0.5),
        closing=app.state.closing,
    )
    app.include_router(api)
    app.include_router(library.routes)
    app.include_router(metrics.routes)

    @app.get("/", include_in_schema=False)
    async def index(request: Request) -> HTMLResponse:
        may_read = "shell" not in request.query_params and (
            session_of(request) is not None or _local(request)
        )
        return HTMLResponse(
            page.html(service.snapshot() if may_read else None),
            headers={"cache-control": "no-cache"},
        )

    @app.get("/sw.js", include_in_schema=False)
    async def shell() -> FileResponse:
        return FileResponse(PANEL / "sw.js", media_type="text/javascript")

    app.include_router(reading(PANEL, page.css))
    app.mount("/panel", StaticFiles(directory=PANEL), name="panel")

    app.add_exception_handler(RequestValidationError, _told_wrong)

    @app.exception_handler(EvenwallError)
    async def went_wrong(_: Request, error: EvenwallError) -> JSONResponse:
        return JSONResponse({"detail": said_outside(error)}, status_code=_status(error))

    app.add_middleware(GZipMiddleware, minimum_size=600, compresslevel=6)
    app.add_middleware(Door, settings=settings, policy=page.policy)
    return app


PROBLEMS_TOLD = 10


async def _told_wrong(_: Request, error: Exception) -> JSONResponse:
    """Tell what is wrong with a request without repeating it: it may hold what no JSON can."""
    found = error.errors() if isinstance(error, RequestValidationError) else ()
    told = [
        {
            "type": str(one["type"]),
            "loc": [str(part)[:80] for part in one["loc"]][:12],
            "msg": str(one["msg"])[:200].encode("ascii", "replace").decode(),
        }
        for one in found[:PROBLEMS_TOLD]
    ]
    return JSONResponse({"detail": told}, status_code=422)


def _status(error: EvenwallError) -> int:
    if isinstance(error, InputError):
        return 404 if error.field in {"run_id", "job_id", "casting_id", "resin_id"} else 422
    return 503
