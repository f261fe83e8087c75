"""Phones that asked to be called while locked, and the sending of calls to them."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, TypeAdapter

from evenwall.errors import InputError
from evenwall.model.untrusted import read_bytes, set_aside
from evenwall_bridge.contract import Clock
from evenwall_web.keeping import Keeper
from evenwall_web.sending import NotSent, Post, check_endpoint, post, post_abroad
from evenwall_web.web_push import POINT_bytes, SECRET_bytes, Signer, encrypt, unb64

LIFE_s = 600  # how long a push service keeps a message for a phone that is off
MOST_PHONES = 50
MOST_OF_ONE = 3  # addresses of one paired phone: none pushes the others out
FILE, FILE_bytes = "phones.json", 200_000
GONE = (404, 410)  # RFC 8030 section 7.3: the phone has unsubscribed


@dataclass(frozen=True)
class Phone:
    """A phone's address at its push service, with its keys."""

    session_id: Annotated[str, Field(max_length=40)]
    endpoint: Annotated[str, Field(max_length=1000)]
    p256dh: Annotated[str, Field(max_length=200)]
    auth: Annotated[str, Field(max_length=100)]


_PHONES = TypeAdapter(Annotated[list[Phone], Field(max_length=MOST_PHONES)])


class Phones:
    """Subscribed phones, kept in `state_dir` if there is one."""

    def __init__(
        self,
        clock: Clock,
        state_dir: Path | None,
        send: Post | None = None,
        *,
        loopback: bool = False,
        tell: Callable[[str], None] = lambda _: None,
    ) -> None:
        """Set up. send: sends a POST. loopback: allow a push service on this machine, for tests.
        tell: gets a notice for people."""
        self._clock, self._loopback = clock, loopback
        self._send = send or (post if loopback else post_abroad)
        self._kept = Keeper(clock, state_dir, "phones", lambda _: None)
        path = None if state_dir is None else state_dir / FILE
        self.signer = Signer.kept(None if state_dir is None else state_dir / "push.key")
        self.contact = ""
        self._phones: dict[str, Phone] = {}
        if path is not None and os.path.exists(path):  # False: may not be read
            try:
                kept = _PHONES.validate_json(read_bytes(path, FILE_bytes))
            except (InputError, ValueError) as error:
                kept = []
                with contextlib.suppress(OSError):
                    aside = set_aside(path).name
                    why = str(error).splitlines()[0][:120]
                    tell(
                        f"The list of phones to call cannot be read ({why}): it is kept as "
                        f"{aside}. Open the page on each phone that is to be called."
                    )
            self._phones = {phone.endpoint: phone for phone in kept}

    def __len__(self) -> int:
        return len(self._phones)

    def add(self, phone: Phone) -> None:
        """Call this phone from now on. Raises InputError."""
        check_endpoint(phone.endpoint, loopback=self._loopback)
        for name, size in (("p256dh", POINT_bytes), ("auth", SECRET_bytes)):
            try:
                fits = len(unb64(getattr(phone, name))) == size
            except ValueError:
                fits = False
            if not fits:
                raise InputError(name, "set", f"must be {size} bytes in base 64 for URLs")
        self._phones.pop(phone.endpoint, None)
        own = [e for e, other in self._phones.items() if other.session_id == phone.session_id]
        for endpoint in own[: len(own) + 1 - MOST_OF_ONE]:
            del self._phones[endpoint]
        while len(self._phones) >= MOST_PHONES:
            del self._phones[next(iter(self._phones))]
        self._phones[phone.endpoint] = phone
        self._save()

    def forget(self, session_id: str) -> None:
        """Stop calling a phone that is unpaired or has unsubscribed."""
        kept = {e: p for e, p in self._phones.items() if p.session_id != session_id}
        if len(kept) != len(self._phones):
            self._phones = kept
            self._save()

    async def call(self, message: dict[str, Any], *, urgent: bool) -> int:
        """Send to every phone and return how many push services accepted.

        Raises NotSent if there are phones and none was reached.
        """
        body = json.dumps(message).encode()
        sent = await asyncio.gather(
            *(self._call(phone, body, urgent) for phone in list(self._phones.values()))
        )
        whys = [why for why in sent if why]
        if whys and len(whys) == len(sent):
            raise NotSent(whys[0])
        return len(sent) - len(whys)

    async def _call(self, phone: Phone, body: bytes, urgent: bool) -> str:
        """Send to one phone; return the reason in words if it failed."""
        headers = {
            "TTL": str(LIFE_s),
            "Urgency": "high" if urgent else "normal",
            "Content-Encoding": "aes128gcm",
            "Content-Type": "application/octet-stream",
            "Authorization": self.signer.authorization(
                phone.endpoint, self._clock.utc().timestamp(), self.contact
            ),
        }
        try:
            sealed = encrypt(body, unb64(phone.p256dh), unb64(phone.auth))
            status = await self._send(phone.endpoint, headers, sealed)
        except (NotSent, ValueError) as error:
            return str(error)
        if status in GONE:
            self._phones.pop(phone.endpoint, None)
            self._save()
            return "the phone has unsubscribed"
        return "" if 200 <= status < 300 else f"the push service answered {status}"

    def _save(self) -> None:
        self._kept.whole(FILE, json.dumps([asdict(phone) for phone in self._phones.values()]))

    def close(self) -> bool:
        """Wait a moment for the disk; return whether it has accepted everything."""
        return self._kept.close()
