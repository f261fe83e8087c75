"""Comparisons of the ways to mount a mould, over HTTP."""

from __future__ import annotations

from fastapi import APIRouter, HTTPException, Response

from evenwall.errors import EvenwallError
from evenwall.model import Frozen, MountingJob
from evenwall.model.orders import Id
from evenwall.service.mountings import Mountings
from evenwall_web.desk import AtDesk, Desk, Operator, Watcher, may_refuse

PNG = "image/png"
PICTURE = {**may_refuse(401, 404, 422), 200: {"content": {PNG: {}}}}

routes = APIRouter(prefix="/api/mountings", tags=["mountings"])


class MountingWish(Frozen):
    """The casting whose mountings are to be compared."""

    casting_id: Id


def _mountings(desk: Desk) -> Mountings:
    found = desk.service.mountings
    if found is None:
        raise EvenwallError("this controller compares no mountings")
    return found


@routes.post("", status_code=202, responses=may_refuse(400, 401, 403, 404, 413, 422, 429))
async def start(wish: MountingWish, desk: AtDesk, session: Operator) -> MountingJob:
    """Begin to compare the ways to mount a casting's mould; ask for the job until it is done."""
    if not desk.work.allow(session.session_id):
        raise HTTPException(429, "Too much at once; wait a little.")
    return _mountings(desk).start(wish.casting_id)


@routes.get("/{job_id}", responses=may_refuse(401, 404, 422))
async def job(job_id: Id, desk: AtDesk, _: Watcher) -> MountingJob:
    """One comparison, with the mountings once it is done."""
    return _mountings(desk).named(job_id)


@routes.post("/{job_id}/cancel", responses=may_refuse(400, 401, 403, 404, 413, 422, 429))
async def cancel(job_id: Id, desk: AtDesk, _: Operator) -> MountingJob:
    """Cancel a comparison under way."""
    return _mountings(desk).cancel(job_id)


@routes.get("/{job_id}/picture.png", response_class=Response, responses=PICTURE)
async def picture(job_id: Id, desk: AtDesk, _: Watcher) -> Response:
    """The drawing of the best mounting and the file's, with their angles."""
    return Response(_mountings(desk).picture(job_id), media_type=PNG)
