"""Castings, resins and shapes over HTTP: the same text files that the command line reads."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Annotated, Any, TypeVar

from fastapi import APIRouter, HTTPException, Query, Request
from fastapi.responses import FileResponse
from pydantic import Field

from evenwall.model import CastingCard, Frozen, ResinCard
from evenwall.service.library import CastingEntry, OutlineCard, ResinEntry, ShapeCard
from evenwall.service.uploads import PART_BYTES, Upload
from evenwall_web.desk import AtDesk, Desk, Operator, Watcher, may_refuse

T = TypeVar("T")
Stem = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,59}$")]
FileName = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9._-]{0,90}$")]
Stamp = Annotated[str, Query(pattern=r"^[a-z0-9]{0,16}$")]
Table = Annotated[dict[str, Any], Field(max_length=40)]

routes = APIRouter(prefix="/api/library", tags=["library"])


class ResinWish(Frozen):
    """Resin file as a table. new: there must be no resin of that name yet."""

    resin: Table
    new: bool = False


class CastingWish(Frozen):
    """Casting file as a table, and the measurements for its mesh."""

    casting: Table
    measures: Table | None = None
    new: bool = False


class ShapeWish(Frozen):
    measures: Table


class OutlineWish(Frozen):
    file: FileName


async def _in_thread(work: Callable[..., T], *args: Any) -> T:
    """Run work of the library in a thread. Raises 503 if the folder cannot be written."""
    try:
        return await asyncio.get_running_loop().run_in_executor(None, work, *args)
    except OSError as error:
        why = error.strerror or "an error of the disk"
        raise HTTPException(503, f"The library's folder cannot be used: {why}.") from None


def _pace(desk: Desk, session_id: str) -> None:
    """Raise 429 if one phone asks for too much work at once."""
    if not desk.work.allow(session_id):
        raise HTTPException(429, "Too much at once; wait a little.")


@routes.get("/resins/{resin_id}", responses=may_refuse(401, 404, 422))
async def resin(resin_id: Stem, desk: AtDesk, _: Watcher) -> ResinEntry:
    """Return the present file of a resin."""
    return await _in_thread(desk.service.library.resin, resin_id)


@routes.put("/resins/{resin_id}", responses=may_refuse(400, 401, 403, 404, 413, 422, 429))
async def keep_resin(resin_id: Stem, wish: ResinWish, desk: AtDesk, session: Operator) -> ResinCard:
    """Write a resin's file, with the same checks as the command line."""
    _pace(desk, session.session_id)
    return await _in_thread(desk.service.library.keep_resin, resin_id, wish.resin, wish.new)


@routes.get("/castings/{casting_id}", responses=may_refuse(401, 404, 422))
async def casting(casting_id: Stem, desk: AtDesk, _: Watcher) -> CastingEntry:
    """Return the present file of a casting, and the measurements for its mesh."""
    return await _in_thread(desk.service.library.casting, casting_id)


@routes.put("/castings/{casting_id}", responses=may_refuse(400, 401, 403, 404, 413, 422, 429))
async def keep_casting(
    casting_id: Stem, wish: CastingWish, desk: AtDesk, session: Operator
) -> CastingCard:
    """Write a casting's file; with measurements, make its mesh as well."""
    _pace(desk, session.session_id)
    work = desk.service.library.keep_casting
    return await _in_thread(work, casting_id, wish.casting, wish.measures, wish.new)


@routes.post("/shape", responses=may_refuse(400, 401, 403, 413, 422, 429))
async def shape(wish: ShapeWish, desk: AtDesk, session: Operator) -> ShapeCard:
    """Make a shape from measurements and give its figures; nothing is kept."""
    _pace(desk, session.session_id)
    return await _in_thread(desk.service.library.shape, wish.measures)


@routes.post("/outline", responses=may_refuse(400, 401, 403, 413, 422, 429))
async def outline(wish: OutlineWish, desk: AtDesk, session: Operator) -> OutlineCard:
    """Find the form's outline in an uploaded photograph."""
    _pace(desk, session.session_id)
    return await _in_thread(desk.service.library.outline, wish.file)


@routes.get("/uploads/{name}", responses=may_refuse(401, 422))
async def upload_standing(name: FileName, desk: AtDesk, _: Watcher, stamp: Stamp = "") -> Upload:
    """Return the part of a file that has arrived: sending continues from its end."""
    return await _in_thread(desk.service.library.uploads.standing, name, stamp)


@routes.put(
    "/uploads/{name}",
    responses=may_refuse(400, 401, 403, 413, 422),
    openapi_extra={
        "requestBody": {"content": {"application/octet-stream": {"schema": {"type": "string"}}}}
    },
)
async def upload_part(
    name: FileName,
    request: Request,
    desk: AtDesk,
    _: Operator,
    offset: Annotated[int, Query(ge=0, le=2**40)],
    total: Annotated[int, Query(ge=1, le=2**40)],
    stamp: Stamp = "",
) -> Upload:
    """Take one part of a file, at most 1 MB; the file is complete when its last byte arrives."""
    content = await request.body()
    if len(content) > PART_BYTES:
        raise HTTPException(413, f"One part holds at most {PART_BYTES} bytes.")
    return await _in_thread(desk.service.library.uploads.take, name, offset, total, content, stamp)


@routes.get(
    "/files/{name}",
    response_class=FileResponse,
    responses={**may_refuse(401, 422), 200: {"content": {"image/*": {}}}},
)
async def picture(name: FileName, desk: AtDesk, _: Watcher) -> FileResponse:
    """A photograph of the library."""
    path, kind = await _in_thread(desk.service.library.picture, name)
    return FileResponse(path, media_type=kind)
