"""The stream of server-sent events."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from typing import Annotated

from fastapi import APIRouter, Depends, Header, HTTPException, Query, Request
from fastapi.sse import EventSourceResponse, ServerSentEvent

from evenwall_web.desk import AtDesk, Watcher, may_refuse, peer_of
from evenwall_web.people import Session

BEAT_s = 1.0  # after three of these without a message a page reports it

routes = APIRouter(prefix="/api")


def _holder(request: Request, session: Session | None) -> str:
    return peer_of(request) if session is None else session.session_id


async def paced(request: Request, desk: AtDesk, session: Watcher) -> None:
    """Limit new streams: each costs some ms, because its missed rows are read and sent again."""
    if not desk.streams.may_open(_holder(request, session), paired=session is not None):
        raise HTTPException(429, "Too many streams are opened; wait a little.")


@routes.get(
    "/stream",
    response_class=EventSourceResponse,
    responses=may_refuse(401, 422, 429),
    dependencies=[Depends(paced)],
)
async def stream(
    request: Request,
    desk: AtDesk,
    session: Watcher,
    after: Annotated[int | None, Query(ge=0, le=2**53)] = None,
    last_event_id: Annotated[str | None, Header(pattern=r"^\d{1,16}$")] = None,
) -> AsyncIterator[ServerSentEvent]:
    """Snapshots, samples and events as they happen; `Last-Event-ID` or `after` resumes.

    A `beat` each second shows that the connection works; after 3 s without one a page is stale. A
    phone's fifth stream ends its first.
    """
    after_id = int(last_event_id) if last_event_id else after
    holder = _holder(request, session)
    with desk.streams.one(holder) as over:
        items = aiter(desk.service.watch(after_id))
        ends = [asyncio.ensure_future(end.wait()) for end in (desk.closing, over)]
        pending = asyncio.ensure_future(anext(items))
        try:
            while session is None or desk.people.alive(session.session_id):
                await asyncio.wait(
                    {pending, *ends}, timeout=BEAT_s, return_when=asyncio.FIRST_COMPLETED
                )
                if any(end.done() for end in ends):
                    return
                if not pending.done():
                    now_s = desk.service.snapshot().now_s
                    yield ServerSentEvent(event="beat", raw_data=json.dumps({"now_s": now_s}))
                    continue
                item = pending.result()
                pending = asyncio.ensure_future(anext(items))
                text = desk.streams.text(item)
                yield ServerSentEvent(event=item.kind, id=str(item.item_id), raw_data=text)
        except StopAsyncIteration:
            return
        finally:
            for task in (*ends, pending):
                task.cancel()
