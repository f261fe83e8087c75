"""HTTP side of the panel: one page, one stream of server-sent events, commands.

The web uses only the service and the model. An error answer carries `{"detail": sentence}`. A
command that the run refuses gets 409, with a sentence that gives the reason.
"""

from __future__ import annotations

import asyncio
from functools import partial
from pathlib import Path
from typing import Annotated, Any

from fastapi import APIRouter, FastAPI, HTTPException, Query, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import FileResponse, HTMLResponse, JSONResponse
from pydantic import Field
from starlette.middleware.gzip import GZipMiddleware
from starlette.staticfiles import StaticFiles

from evenwall.errors import EvenwallError, InputError, said_outside
from evenwall.model import (
    Answer,
    Assessment,
    CastingCard,
    Command,
    Comparison,
    Event,
    Frozen,
    Measured,
    Plan,
    PlanJob,
    RecordLine,
    ResinCard,
    RunCard,
    Sample,
    Snapshot,
)
from evenwall.model.orders import ORDERS, Id
from evenwall.service.facade import Service
from evenwall_bridge.clock import SystemClock
from evenwall_bridge.contract import Clock
from evenwall_web import calling, library, metrics, mountings, pairing, papers, stream
from evenwall_web.commands import Ask, ask_for, summary_of
from evenwall_web.described import Interface
from evenwall_web.desk import (
    AtDesk,
    Desk,
    Operator,
    Watcher,
    is_local,
    may_refuse,
    peer_of,
    session_of,
)
from evenwall_web.door import Door
from evenwall_web.limiter import Limiter
from evenwall_web.page import PANEL, Page
from evenwall_web.people import People
from evenwall_web.phones import Phones
from evenwall_web.reading import reading
from evenwall_web.settings import Settings
from evenwall_web.streams import Streams
from evenwall_web.trust import trust_routes

api = APIRouter(prefix="/api")


# --- Watching --------------------------------------------------------------------------------


@api.get("/snapshot", responses=may_refuse(401))
async def snapshot(desk: AtDesk, _: Watcher) -> Snapshot:
    """Everything that a screen needs to draw itself."""
    return desk.service.snapshot()


@api.get("/curve", responses=may_refuse(401, 404, 422))
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
    """Wish for a plan; `overrides` are fields of the casting, named as in its file."""

    casting_id: Id
    overrides: dict[Name, Value | dict[Name, Value]] = Field(default_factory=dict, max_length=20)
    lessons: bool = True


@api.get("/castings", responses=may_refuse(401))
async def castings(desk: AtDesk, _: Watcher) -> list[CastingCard]:
    """The casting files of this shop."""
    return await desk.service.castings()


@api.get("/resins", responses=may_refuse(401))
async def resins(desk: AtDesk, _: Watcher) -> list[ResinCard]:
    """The resin sheets of this shop."""
    return await desk.service.resins()


@api.post("/plans", status_code=202, responses=may_refuse(400, 401, 403, 404, 409, 413, 422, 429))
async def start_plan(wish: PlanWish, desk: AtDesk, session: Operator) -> PlanJob:
    """Start planning a casting; ask for the job until it is done."""
    if not desk.work.allow(session.session_id):
        raise HTTPException(429, "Too many plans at once; wait a little.")
    overrides = dict(wish.overrides)
    return await desk.service.start_plan(wish.casting_id, overrides, lessons=wish.lessons)


@api.get("/plans", responses=may_refuse(401))
async def plan_jobs(desk: AtDesk, _: Watcher) -> list[PlanJob]:
    """Finished and running plan jobs since the controller started, newest first."""
    return await desk.service.plan_jobs()


@api.post("/plans/{job_id}/finish", responses=may_refuse(400, 401, 403, 404, 413, 422, 429))
async def finish_plan(job_id: Id, desk: AtDesk, _: Operator) -> PlanJob:
    """Take the best plan found so far."""
    return _sendable(await desk.service.end_plan(job_id, keep_best=True))


@api.post("/plans/{job_id}/cancel", responses=may_refuse(400, 401, 403, 404, 413, 422, 429))
async def cancel_plan(job_id: Id, desk: AtDesk, _: Operator) -> PlanJob:
    """Cancel a running plan job."""
    return _sendable(await desk.service.end_plan(job_id, keep_best=False))


def _sendable(job: PlanJob) -> PlanJob:
    return job if job.plan is None else job.model_copy(update={"plan": _pathless(job.plan)})


@api.get("/plans/{job_id}", responses=may_refuse(401, 404, 422))
async def plan_job(job_id: Id, desk: AtDesk, _: Watcher) -> PlanJob:
    """One plan job, with its plan once it is finished."""
    return _sendable(await desk.service.plan_job(job_id))


@api.get("/mesh/{run_or_job_id}", responses=may_refuse(401, 404, 422))
async def wall_mesh(run_or_job_id: Id, desk: AtDesk, _: Watcher) -> dict[str, Any]:
    """The casting's surface with the predicted wall at each vertex. This takes some seconds."""
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
    """Return the plan to send: the mesh file keeps its name, without its folder on this machine."""
    casting = plan.casting.model_copy(update={"mesh": Path(plan.casting.mesh.name)})
    return plan.model_copy(update={"casting": casting})


# --- The record --------------------------------------------------------------------------------


@api.get("/runs", responses=may_refuse(401))
async def runs(desk: AtDesk, _: Watcher) -> list[RunCard]:
    """Every run on record, newest first."""
    return await desk.service.runs()


@api.get("/runs/{run_id}", responses=may_refuse(401, 404, 422))
async def run(run_id: Id, desk: AtDesk, _: Watcher) -> RunCard:
    """One run of the record."""
    return await desk.service.run(run_id)


@api.get("/runs/{run_id}/plan", responses=may_refuse(401, 404, 422))
async def run_plan(run_id: Id, desk: AtDesk, _: Watcher) -> Plan:
    """The plan of a run, as it stood at the end."""
    return _pathless(await desk.service.run_plan(run_id))


@api.get("/runs/{run_id}/events", responses=may_refuse(401, 404, 422))
async def events(
    run_id: Id, desk: AtDesk, _: Watcher, after_id: Annotated[int, Query(ge=0, le=2**53)] = 0
) -> list[Event]:
    """The run's events, oldest first."""
    return await desk.service.events(run_id, after_id)


@api.get("/runs/{run_id}/record", responses=may_refuse(401, 404, 422))
async def record(run_id: Id, desk: AtDesk, _: Watcher) -> list[RecordLine]:
    """The record, line by line, for people."""
    return await desk.service.record(run_id)


@api.get("/runs/{run_id}/compare", responses=may_refuse(401, 404, 422))
async def compare(run_id: Id, desk: AtDesk, _: Watcher, against: Id | None = None) -> Comparison:
    """Compare two runs figure by figure; by default a replay with the run that it repeats."""
    return await desk.service.compare(run_id, against or "")


@api.post("/runs/{run_id}/assess", responses=may_refuse(400, 401, 403, 404, 413, 422))
async def assess(run_id: Id, desk: AtDesk, _: Operator, measured: Measured) -> Assessment:
    """Compare a run with its plan, with further measurements; this changes nothing."""
    return await desk.service.assess(run_id, measured)


# --- Acting ------------------------------------------------------------------------------------


def _command_route(name: str, what: str) -> None:
    async def act(
        ask: Ask, request: Request, response: Response, desk: AtDesk, session: Operator
    ) -> Answer:
        # Stopping is never held back by a limit.
        if name != "stop_turning" and not desk.commands.allow(session.session_id):
            raise HTTPException(429, "Too many commands; wait a second.")
        command = Command(
            key=f"{session.session_id}:{ask.key}",
            step_id=ask.step_id,
            who=session.name,
            order=ask.data,
        )
        answer = await desk.service.command(command)
        outcome = "accepted" if answer.accepted else "refused"
        desk.people.note(session.name, session.role, peer_of(request), name, outcome)
        if not answer.accepted:
            response.status_code = 409
        return answer

    act.__annotations__["ask"] = ask_for(name)
    refusals = may_refuse(400, 401, 403, 404, 413, 422, 429)
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


for _name in ORDERS:
    _command_route(_name, summary_of(_name))


# --- The page ------------------------------------------------------------------------------------


def interface() -> Interface:
    """Return the application with its addresses, and no service behind it yet."""
    app = Interface(title="Evenwall", version="1", docs_url=None, redoc_url=None)
    parts = (stream, pairing, calling, library, papers, mountings, metrics)
    for routes in (api, *(part.routes for part in parts)):
        app.include_router(routes)
    return app


def create_app(service: Service, settings: Settings, clock: Clock | None = None) -> FastAPI:
    """Return the panel's application over a service. `clock` keeps real time, even if the rig's
    clock runs faster.

    `app.state.people` makes pairing codes for the console to show; setting `app.state.closing` ends
    the streams, which would keep a server from ending.
    """
    clock = clock or SystemClock()
    page = Page()
    for kind in ("settings", "tls"):
        if trouble := getattr(settings, f"{kind}_trouble"):
            service.notice(kind, trouble)
    people = _people(service, settings, clock)
    app = interface()
    app.state.people = people
    app.state.closing = asyncio.Event()
    app.state.desk = Desk(
        service,
        people,
        settings,
        commands=Limiter(clock, burst=30, per_s=5),
        work=Limiter(clock, burst=10, per_s=0.5),
        closing=app.state.closing,
        streams=Streams(clock),
    )

    @app.get("/", include_in_schema=False)
    async def index(request: Request) -> HTMLResponse:
        may_read = "shell" not in request.query_params and (
            session_of(request) is not None or is_local(request)
        )
        return HTMLResponse(
            page.html(service.snapshot() if may_read else None),
            headers={"cache-control": "no-cache"},
        )

    @app.get("/sw.js", include_in_schema=False)
    async def shell() -> FileResponse:
        return FileResponse(PANEL / "sw.js", media_type="text/javascript")

    app.include_router(trust_routes(PANEL, page.css, settings.tls_authority))
    app.include_router(reading(PANEL, page.css))
    app.mount("/panel", StaticFiles(directory=PANEL), name="panel")

    app.add_exception_handler(RequestValidationError, _told_wrong)

    @app.exception_handler(EvenwallError)
    async def went_wrong(_: Request, error: EvenwallError) -> JSONResponse:
        return JSONResponse({"detail": said_outside(error)}, status_code=_status(error))

    _guard(app, settings, page.policy, people)
    return app


def _people(service: Service, settings: Settings, clock: Clock) -> People:
    """Return the paired phones, whose troubles the service tells."""
    say = service.notice
    phones = Phones(
        clock,
        settings.state_dir,
        loopback=settings.push_on_loopback,
        tell=partial(say, "phones"),
    )
    return People(
        clock,
        settings.address,
        settings.state_dir,
        settings.code_life_s,
        settings.session_life_days,
        partial(say, "panel"),
        partial(say, "pairing"),
        phones,
    )


def _guard(app: FastAPI, settings: Settings, policy: str, people: People) -> None:
    """Put the compression and the door before every route."""
    app.add_middleware(GZipMiddleware, minimum_size=600, compresslevel=6)
    tell, closing = people.note_refusal, app.state.closing
    app.add_middleware(Door, settings=settings, policy=policy, tell=tell, closing=closing)


PROBLEMS_TOLD = 10


async def _told_wrong(_: Request, error: Exception) -> JSONResponse:
    """Say what is wrong with a request, but do not repeat it: JSON may not be able to hold it."""
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
