"""Routes by which a phone asks to be called while it is locked."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, HTTPException, Request
from pydantic import Field

from evenwall.model import Frozen
from evenwall_web.desk import AtDesk, Watcher, may_refuse, session_of
from evenwall_web.people import Session
from evenwall_web.phones import Phone

routes = APIRouter(prefix="/api/push")

Token = Annotated[str, Field(min_length=8, max_length=200, pattern=r"^[A-Za-z0-9_=-]+$")]


class PushKey(Frozen):
    """Key with which a page subscribes, and the number of phones that are called."""

    key: str
    phones: int


class Keys(Frozen):
    p256dh: Token
    auth: Token


class Subscription(Frozen):
    """Subscription in the form given by the browser's PushManager."""

    endpoint: Annotated[str, Field(min_length=10, max_length=1000)]
    keys: Keys


def _own_session(request: Request, csrf: str) -> Session:
    session = session_of(request)
    if session is None:
        raise HTTPException(401, "Pair this phone first.")
    if csrf != session.csrf:
        raise HTTPException(403, "The request did not come from the panel's page.")
    return session


@routes.get("/key", responses=may_refuse(401))
async def push_key(desk: AtDesk, _: Watcher) -> PushKey:
    """Key of this rig towards push services."""
    return PushKey(key=desk.people.phones.signer.public, phones=len(desk.people.phones))


@routes.post("/subscribe", status_code=201, responses=may_refuse(400, 401, 403, 413, 422))
async def subscribe(wish: Subscription, request: Request, desk: AtDesk) -> PushKey:
    """Call this phone from now on, also while it is locked."""
    session = _own_session(request, request.headers.get("x-evenwall-csrf", ""))
    phone = Phone(session.session_id, wish.endpoint, wish.keys.p256dh, wish.keys.auth)
    desk.people.phones.add(phone)
    return PushKey(key=desk.people.phones.signer.public, phones=len(desk.people.phones))


@routes.post("/unsubscribe", responses=may_refuse(401, 403))
async def unsubscribe(request: Request, desk: AtDesk) -> PushKey:
    """Stop calling this phone."""
    session = _own_session(request, request.headers.get("x-evenwall-csrf", ""))
    desk.people.phones.forget(session.session_id)
    return PushKey(key=desk.people.phones.signer.public, phones=len(desk.people.phones))
