"""Files over HTTP: plans and run reports as PDF, exports, wall pictures, photographs of a run."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

from fastapi import APIRouter, HTTPException, Response
from fastapi.responses import FileResponse
from pydantic import Field

from evenwall.model import Answer, Frozen
from evenwall.model.orders import Id
from evenwall_web.commands import Key
from evenwall_web.desk import AtDesk, Desk, Operator, Watcher, may_refuse
from evenwall_web.people import Session

PhotoName = Annotated[str, Field(pattern=r"^[0-9a-f]{16}\.jpg$")]
FileName = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9._-]{0,90}$")]
Units = Literal["metric", "inch"]  # of the figures on a paper
PDF, PNG, ZIP = "application/pdf", "image/png", "application/zip"

routes = APIRouter(prefix="/api", tags=["files"])


class PhotoWish(Frozen):
    """Uploaded picture, and its subject."""

    key: Key
    file: FileName
    what: Literal["gloss", "bubbles", "cut_edge", "whole", "other"] = "other"
    text: Annotated[str, Field(max_length=200)] = ""


def _pace(desk: Desk, session: Session | None) -> None:
    """Raise 429 if one phone asks for too much work at once."""
    if not desk.work.allow("" if session is None else session.session_id):
        raise HTTPException(429, "Too much at once; wait a little.")


def _file_of(kind: str) -> dict[int | str, dict[str, Any]]:
    """Documented answers of a route that returns a file of this kind."""
    content = {kind: {"schema": {"type": "string", "format": "binary"}}}
    return {**may_refuse(401, 404, 422, 429), 200: {"content": content}}


@routes.get("/papers/{run_or_job_id}/plan.pdf", response_class=Response, responses=_file_of(PDF))
async def plan_paper(
    run_or_job_id: Id, desk: AtDesk, session: Watcher, units: Units = "metric"
) -> Response:
    """Return the plan of a job or of a run as PDF. This takes some seconds."""
    _pace(desk, session)
    return Response(await desk.service.files.plan_paper(run_or_job_id, units), media_type=PDF)


@routes.get("/papers/{run_or_job_id}/wall.png", response_class=Response, responses=_file_of(PNG))
async def wall_picture(
    run_or_job_id: Id, desk: AtDesk, session: Watcher, units: Units = "metric"
) -> Response:
    """Return the planned wall as a picture. This takes some seconds."""
    _pace(desk, session)
    return Response(await desk.service.files.wall_picture(run_or_job_id, units), media_type=PNG)


@routes.get("/papers/{run_id}/run.pdf", response_class=Response, responses=_file_of(PDF))
async def run_paper(
    run_id: Id, desk: AtDesk, session: Watcher, units: Units = "metric"
) -> Response:
    """Return the report of a run, with its photographs."""
    _pace(desk, session)
    return Response(await desk.service.files.run_paper(run_id, units), media_type=PDF)


@routes.get("/papers/{run_id}/run.zip", response_class=Response, responses=_file_of(ZIP))
async def export(run_id: Id, desk: AtDesk, session: Watcher) -> Response:
    """Return a run with its photographs, in the export format of the command line."""
    _pace(desk, session)
    return Response(await desk.service.files.export(run_id), media_type=ZIP)


@routes.post("/runs/{run_id}/photos", responses=may_refuse(400, 401, 403, 404, 409, 413, 422, 429))
async def add_photo(
    run_id: Id, wish: PhotoWish, desk: AtDesk, session: Operator, response: Response
) -> Answer:
    """Keep an uploaded picture with the record of a run, as a copy without metadata."""
    _pace(desk, session)
    words = {"what": wish.what, "text": wish.text}
    key = f"{session.session_id}:{wish.key}"
    answer = await desk.service.files.add_photo(run_id, wish.file, words, key)
    if not answer.accepted:
        response.status_code = 409
    return answer


@routes.get(
    "/runs/{run_id}/photos/{name}",
    response_class=FileResponse,
    responses={**may_refuse(401, 404, 422), 200: {"content": {"image/jpeg": {}}}},
)
async def photo(run_id: Id, name: PhotoName, desk: AtDesk, _: Watcher) -> FileResponse:
    """Return a photograph of a run."""
    path: Path = await desk.service.files.photo(run_id, name)
    return FileResponse(path, media_type="image/jpeg")
