"""Dependencies shared by every route: the phone that asks, and its rights."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from http import HTTPStatus
from typing import Annotated, Any

from fastapi import Depends, Header, HTTPException, Request

from evenwall.model import Frozen
from evenwall.service.facade import Service
from evenwall_web.connections import Connections
from evenwall_web.limiter import Limiter
from evenwall_web.people import People, Session
from evenwall_web.settings import LOOPBACK, Settings
from evenwall_web.streams import Streams


class Problem(Frozen):
    """Answer to a refused request."""

    detail: str | list[dict[str, Any]]


def may_refuse(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """Documented refusals of a route; those of the door apply to all routes."""
    return {
        status: {"model": Problem, "description": HTTPStatus(status).phrase}
        for status in (*statuses, 421, 503)
    }


@dataclass(frozen=True)
class Desk:
    """Objects that the routes share."""

    service: Service
    people: People
    settings: Settings
    commands: Limiter
    work: Limiter
    closing: asyncio.Event  # set when the server ends: streams end with it
    streams: Streams


def _desk(request: Request) -> Desk:
    desk: Desk = request.app.state.desk
    return desk


# The dependencies are coroutines, so that none of them waits for a thread: the threads may all be
# sending files to slow readers while somebody presses stop.
async def desk_of(request: Request) -> Desk:
    return _desk(request)


def peer_of(request: Request) -> str:
    return request.client.host if request.client else "unknown"


def cookie_name(settings: Settings) -> str:
    return "__Host-evenwall" if settings.tls else "evenwall"


def session_of(request: Request) -> Session | None:
    desk = _desk(request)
    session = desk.people.who(request.cookies.get(cookie_name(desk.settings)))
    book: Connections | None = getattr(request.app.state, "book", None)
    if session is not None and book is not None:
        book.know(peer_of(request), request.client.port if request.client else 0)
    return session


async def watcher(request: Request) -> Session | None:
    """Return the reader: a paired phone, or None for anyone on the rig's own machine."""
    session = session_of(request)
    if session is None and not is_local(request):
        raise HTTPException(401, "Pair this phone first: the code is on the rig's console.")
    return session


def is_local(request: Request) -> bool:
    return peer_of(request) in {*LOOPBACK, "testclient"} and request.url.hostname in {
        *LOOPBACK,
        "testserver",
    }


async def operator(
    request: Request,
    x_evenwall_csrf: Annotated[str, Header(description="As /api/session gives it.")] = "",
) -> Session:
    """Return a paired phone that may act and asks through our own page."""
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
