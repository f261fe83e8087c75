"""Pairing over HTTP: codes, the paired phones, and the audit of their requests."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, HTTPException, Request, Response
from pydantic import Field

from evenwall.model import Frozen
from evenwall.model.orders import Id
from evenwall_web.at_frame import REQUEST_LIFE_s
from evenwall_web.desk import (
    AtDesk,
    Operator,
    cookie_name,
    is_local,
    may_refuse,
    peer_of,
    session_of,
)
from evenwall_web.people import Role, Session
from evenwall_web.settings import Settings

routes = APIRouter(prefix="/api")


class PairWish(Frozen):
    code: Annotated[str, Field(min_length=1, max_length=20)]
    name: Annotated[str, Field(min_length=1, max_length=40)] = "a phone"


class Me(Frozen):
    """Role of this phone at the rig."""

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


WRONG_CODE = (
    "That code is wrong or was used already. A code works once and only for a short "
    "time. Get a new one from the rig's console or from a phone that may act."
)


@routes.get("/session")
async def me(request: Request) -> Me:
    """Return the role of this phone; the page asks once when it opens."""
    session = session_of(request)
    if session is None:
        return Me(role="watch" if is_local(request) else "none")
    return Me(
        role=session.role, name=session.name, session_id=session.session_id, csrf=session.csrf
    )


@routes.post("/pair", responses=may_refuse(400, 403, 413, 422, 429))
async def pair(wish: PairWish, request: Request, response: Response, desk: AtDesk) -> Me:
    """Spend a one-time code from the rig's console."""
    if not desk.people.may_try(peer_of(request)):
        raise HTTPException(429, "Too many tries; wait a minute.", {"Retry-After": "60"})
    paired = desk.people.pair(wish.code, wish.name, peer_of(request))
    if paired is None:
        raise HTTPException(403, WRONG_CODE)
    return _come_in(paired, response, desk.settings)


def _come_in(paired: tuple[str, Session], response: Response, settings: Settings) -> Me:
    """Give the phone its cookie."""
    token, session = paired
    response.set_cookie(
        cookie_name(settings),
        token,
        max_age=settings.session_life_days * 86_400,
        httponly=True,
        samesite="strict",
        secure=settings.tls,
        path="/",
    )
    return Me(
        role=session.role, name=session.name, session_id=session.session_id, csrf=session.csrf
    )


class RequestWish(Frozen):
    name: Annotated[str, Field(min_length=1, max_length=40)] = "a phone"


class RequestCard(Frozen):
    """Number to compare with the one that the rig gives, and the ticket for asking again."""

    ticket: str
    number: str
    lasts_s: float


class Ticket(Frozen):
    ticket: Annotated[str, Field(min_length=20, max_length=100, pattern=r"^[A-Za-z0-9_-]+$")]


@routes.post("/pair/request", status_code=202, responses=may_refuse(400, 403, 409, 413, 422, 429))
async def request_pairing(wish: RequestWish, request: Request, desk: AtDesk) -> RequestCard:
    """Ask to be paired without a code, by a confirmation at the frame."""
    if desk.service.snapshot().frame.mode == "turning":
        raise HTTPException(409, "The frame is turning: pair when it stands still, or with a code.")
    asked = desk.people.at_frame.ask(wish.name, peer_of(request))
    if asked is None:
        raise HTTPException(
            429,
            "Another phone is being paired, or there were too many requests; wait half a minute.",
        )
    desk.people.note(wish.name, "none", asked.peer, "pair at the frame", "asked")
    return RequestCard(ticket=asked.ticket, number=asked.number, lasts_s=REQUEST_LIFE_s)


@routes.post("/pair/requested", responses=may_refuse(400, 403, 413, 422))
async def requested_pairing(wish: Ticket, response: Response, desk: AtDesk) -> Me:
    """Return the phone's role; `none` until somebody has held the button at the frame."""
    found = desk.people.at_frame.collect(wish.ticket)
    if found == "waits":
        return Me(role="none")
    if found == "over":
        raise HTTPException(403, "Nobody held the button at the frame in time. Try again.")
    paired = desk.people.let_in(found.name, "operate", found.peer)
    return _come_in(paired, response, desk.settings)


@routes.get("/sessions", responses=may_refuse(401, 403))
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


@routes.post("/sessions/{session_id}/revoke", responses=may_refuse(401, 403, 404, 422))
async def revoke(
    session_id: Id, request: Request, desk: AtDesk, mine: Operator
) -> list[SessionCard]:
    """Unpair a phone, at once."""
    if not desk.people.revoke(session_id):
        raise HTTPException(404, "No such phone is paired.")
    desk.people.note(mine.name, mine.role, peer_of(request), f"revoke {session_id}", "done")
    return await sessions(desk, mine)


@routes.post("/invites", status_code=201, responses=may_refuse(400, 401, 403, 413, 422, 429))
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


@routes.get("/audit", responses=may_refuse(401, 403))
async def audit(desk: AtDesk, _: Operator) -> list[dict[str, str]]:
    """Requests with the phone that made each, oldest first."""
    return desk.people.audit()
