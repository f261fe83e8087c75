"""Access: pairing by a one-time code, sessions with a role, rate limits, the audit.

The code is shown on the rig's own console, so being paired means having stood at the rig. A
session is a random token in an HttpOnly cookie; only its SHA-256 is kept. Reading from the rig's
own machine needs no pairing; acting always does.
"""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import io
import json
import os
import secrets
from collections import deque
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Annotated, Literal

import segno
from pydantic import AfterValidator, Field, TypeAdapter

from evenwall.errors import InputError
from evenwall.model.untrusted import read_bytes, set_aside
from evenwall_bridge.contract import Clock
from evenwall_web.at_frame import AtFrame
from evenwall_web.keeping import Keeper
from evenwall_web.limiter import Limiter
from evenwall_web.phones import Phones

Role = Literal["watch", "operate"]

# Crockford's base 32: no I, L, O, U, so that a code read aloud is typed right.
ALPHABET = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
# A reader of the console is at the rig; a code on a phone's screen is valid for a much shorter
# time.
CONSOLE_CODE_LIFE_s = 12 * 3600.0
CONSOLE_LOOK_s = 2.0
AUDIT_KEPT = 1000  # lines, in memory
CODE_LENGTH = 8  # 40 bits: a thousand guesses find one in a thousand million


@dataclass(frozen=True)
class Invite:
    """One-time pairing code, and the address at which it is valid."""

    code: str
    role: Role
    address: str

    @property
    def shown(self) -> str:
        return f"{self.code[:4]}-{self.code[4:]}"

    @property
    def url(self) -> str:
        """Address with the code in its fragment, which no browser sends to a server or a proxy."""
        return f"{self.address}#pair={self.code}"

    def picture(self) -> list[str]:
        """The QR code as rows of 0 and 1, quiet zone included."""
        code = segno.make(self.url, micro=False)
        return ["".join(str(int(cell)) for cell in row) for row in code.matrix_iter(border=4)]

    def console(self) -> str:
        """Text for the rig's console: the code, and a QR code for a phone."""
        picture = io.StringIO()
        segno.make(self.url, micro=False).terminal(picture, border=2, compact=True)
        return (
            f"Pair a phone ({self.role}): open {self.address} and type {self.shown}, "
            f"or point its camera here:\n{picture.getvalue()}"
        )


def _a_moment(text: str) -> str:
    """Return a date's text unchanged if it is valid and has a zone. Raises ValueError."""
    if datetime.fromisoformat(text).tzinfo is None:
        raise ValueError("a date needs its zone")
    return text


Moment = Annotated[str, Field(max_length=40), AfterValidator(_a_moment)]


@dataclass(frozen=True)
class Session:
    """A paired phone."""

    session_id: Annotated[str, Field(pattern=r"^[0-9a-f]{8}$")]
    name: Annotated[str, Field(max_length=40)]
    role: Role
    csrf: Annotated[str, Field(min_length=16, max_length=100)]
    token_sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    made_utc: Moment
    seen_utc: Moment


SESSIONS_BYTES = 1_000_000
_SESSIONS = TypeAdapter(Annotated[list[Session], Field(max_length=1000)])


def _nobody(sentence: str | None) -> None:
    del sentence


class People:
    """Paired phones. All are written to `state_dir` soon after each change.

    If the disk refuses or does not answer, they stay in memory and are written with the next
    change: a press never fails because of the disk, nor waits for it.
    """

    def __init__(
        self,
        clock: Clock,
        address: str,
        state_dir: Path | None = None,
        code_life_s: float = 600.0,
        session_life_days: int = 30,
        tell: Callable[[str | None], None] = _nobody,
        asks: Callable[[str | None], None] = _nobody,
        phones: Phones | None = None,
    ) -> None:
        """Set up. tell: gets a notice for people, and None when it is over. asks: the same for a
        phone that asks to be paired."""
        self._clock = clock
        self._address = address
        self._code_life_s = code_life_s
        self._session_life = timedelta(days=session_life_days)
        self._tell = tell
        self._kept = Keeper(clock, state_dir, "audit", self._told_of_disk)
        self._invites: dict[str, tuple[Invite, float]] = {}
        self._sessions: dict[str, Session] = {}  # by session id
        self._audit: deque[dict[str, str]] = deque(maxlen=AUDIT_KEPT)
        # A person may mistype a few times; guessers are stopped, one or many.
        self._tries_by_peer = Limiter(clock, burst=5, per_s=1 / 20)
        self._tries = Limiter(clock, burst=20, per_s=1 / 5)
        self._refusals_by_peer = Limiter(clock, burst=5, per_s=1 / 60)
        self._refusals = Limiter(clock, burst=30, per_s=1 / 10)
        self._untold = 0  # refusals
        self.at_frame = AtFrame(clock, asks)
        self.phones = phones or Phones(clock, state_dir)  # called while they are locked
        if state_dir is not None:
            with contextlib.suppress(OSError):  # reported with the first line that is to be kept
                state_dir.mkdir(parents=True, exist_ok=True, mode=0o700)
            self._load(state_dir / "sessions.json")

    # --- pairing -----------------------------------------------------------------------------

    async def keep_inviting(self, show: Callable[[Invite], None], role: Role = "operate") -> None:
        """Show a code at the rig, and a new one when it is spent or too old. Never returns."""
        while True:
            invite = self.invite(role, CONSOLE_CODE_LIFE_s)
            show(invite)
            while invite.code in self._invites:
                await self._clock.sleep(CONSOLE_LOOK_s)
                self._drop_old_invites()
                self.at_frame.drop_old()

    def invite(self, role: Role, life_s: float | None = None) -> Invite:
        """Make a one-time code, valid for `life_s` or for the time in the settings."""
        code = "".join(secrets.choice(ALPHABET) for _ in range(CODE_LENGTH))
        invite = Invite(code, role, self._address)
        self._drop_old_invites()
        self._invites[code] = (invite, self._clock.now_s() + (life_s or self._code_life_s))
        return invite

    def may_try(self, peer: str) -> bool:
        return self._tries_by_peer.allow(peer) and self._tries.allow("everyone")

    def pair(self, typed: str, name: str, peer: str) -> tuple[str, Session] | None:
        """Spend a code and return (token, session); None if the code is not valid."""
        code = typed.upper().translate(str.maketrans("OIL", "011", "- "))
        self._drop_old_invites()
        given = code.encode(errors="replace")  # compare_digest takes text of ASCII only
        found = [
            invite
            for invite, _ in self._invites.values()
            if hmac.compare_digest(invite.code.encode(), given)
        ]
        if not found:
            self.note("someone", "none", peer, "pair", "wrong code")
            return None
        invite = found[0]
        del self._invites[invite.code]
        return self.let_in(name, invite.role, peer)

    def let_in(self, name: str, role: Role, peer: str) -> tuple[str, Session]:
        """Pair a phone whose owner is known to stand at the rig; return (token, session)."""
        token = secrets.token_urlsafe(32)
        utc = self._clock.utc().isoformat(timespec="seconds")
        session = Session(
            session_id=secrets.token_hex(4),
            name=name,
            role=role,
            csrf=secrets.token_urlsafe(24),
            token_sha256=_sha256(token),
            made_utc=utc,
            seen_utc=utc,
        )
        self._sessions[session.session_id] = session
        self._save()
        self.note(session.name, session.role, peer, "pair", "paired")
        return token, session

    def _drop_old_invites(self) -> None:
        now_s = self._clock.now_s()
        self._invites = {c: (i, end) for c, (i, end) in self._invites.items() if end > now_s}

    # --- sessions ----------------------------------------------------------------------------

    def who(self, token: str | None) -> Session | None:
        """Return the session of a cookie's token, if it is still valid."""
        if not token:
            return None
        digest = _sha256(token)
        for session in self._sessions.values():
            if hmac.compare_digest(session.token_sha256, digest):
                return self._seen(session)
        return None

    def _seen(self, session: Session) -> Session | None:
        now = self._clock.utc()
        quiet = now - datetime.fromisoformat(session.seen_utc)
        if quiet > self._session_life:
            self.revoke(session.session_id)
            return None
        if quiet > timedelta(minutes=10):
            session = replace(session, seen_utc=now.isoformat(timespec="seconds"))
            self._sessions[session.session_id] = session
            self._save()
        return session

    def alive(self, session_id: str) -> bool:
        return session_id in self._sessions

    def sessions(self) -> list[Session]:
        return list(self._sessions.values())

    def revoke(self, session_id: str) -> bool:
        gone = self._sessions.pop(session_id, None)
        if gone is not None:
            self._save()
            self.phones.forget(session_id)
        return gone is not None

    # --- the audit ---------------------------------------------------------------------------

    def note(self, who: str, role: str, peer: str, what: str, outcome: str) -> None:
        """Add a line to the audit: who asked for what; the newest lines stay in memory."""
        line = {
            "utc": self._clock.utc().isoformat(timespec="seconds"),
            "who": who,
            "role": role,
            "peer": peer,
            "what": what,
            "outcome": outcome,
        }
        self._audit.append(line)
        self._kept.line(json.dumps(line) + "\n")

    def note_refusal(self, peer: str, what: str, status: int) -> None:
        """Add a line about a refused request.

        Each peer gets a few lines, then an occasional one with the number of refusals since.
        """
        if what.endswith(" /api/pair") and status == 403:
            return  # a wrong code has its own line
        if not (self._refusals_by_peer.allow(peer) and self._refusals.allow("everyone")):
            self._untold += 1
            return
        more = f", and {self._untold} others since the last line" if self._untold else ""
        self._untold = 0
        self.note("someone", "none", peer, what[:80], f"refused with {status}{more}")

    def audit(self) -> list[dict[str, str]]:
        return list(self._audit)[-200:]

    # --- keeping -----------------------------------------------------------------------------

    def _load(self, file: Path) -> None:
        """Read a file; one damaged by a power cut is set aside, so that the controller starts."""
        try:
            rows = _SESSIONS.validate_json(read_bytes(file, SESSIONS_BYTES))
            self._sessions = {row.session_id: row for row in rows}
        except (InputError, ValueError) as error:
            if not os.path.exists(file):  # False also where the folder may not be read
                return
            with contextlib.suppress(OSError):
                kept = set_aside(file).name
                self._tell(
                    "The list of paired phones cannot be read "
                    f"({str(error).splitlines()[0][:120]}): pair the phones again. The damaged "
                    f"list is kept as {kept}."
                )

    def _save(self) -> None:
        rows = [asdict(session) for session in self._sessions.values()]
        self._kept.whole("sessions.json", json.dumps(rows, indent=1))

    def _told_of_disk(self, why: str | None) -> None:
        if why is None:
            self._tell(None)
            return
        self._tell(
            f"The list of paired phones and commands cannot be written ({why}). It is kept in "
            f"memory, and phones must be paired again after a restart."
        )

    def close(self) -> bool:
        """Wait a moment for the disk; return whether it has accepted everything."""
        return all([self._kept.close(), self.phones.close()])


def _sha256(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
