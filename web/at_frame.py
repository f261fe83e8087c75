"""Pairing without a code: a phone asks, and a person at the frame confirms.

The phone gets a ticket of 256 bits. Nobody can guess it, and it is valid only once the button at
the frame was held.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from evenwall_bridge.contract import Clock
from evenwall_web.limiter import Limiter

REQUEST_LIFE_s = 10.0  # time to hold the button at the frame


@dataclass(frozen=True)
class Asked:
    """Phone that asks to be paired. The phone and the rig both give `number`, to compare."""

    ticket: str
    number: str
    name: str
    peer: str


class AtFrame:
    """Present request of a phone; one at a time."""

    def __init__(self, clock: Clock, tell: Callable[[str | None], None]) -> None:
        """Set up. tell: gets the rig's words while a phone asks, and None when that is over."""
        self._clock, self._tell = clock, tell
        # Nobody may make the rig ask constantly: a few requests, then one per half minute.
        self._limit = Limiter(clock, burst=5, per_s=1 / 30)
        self._asked: tuple[Asked, float, bool] | None = (
            None  # its end, and whether it was confirmed
        )

    def ask(self, name: str, peer: str) -> Asked | None:
        """Ask for confirmation at the frame; None while another phone asks, or after too many."""
        self.drop_old()
        if self._asked is not None or not self._limit.allow("everyone"):
            return None
        asked = Asked(secrets.token_urlsafe(32), f"{secrets.randbelow(90) + 10}", name, peer)
        self._asked = (asked, self._clock.now_s() + REQUEST_LIFE_s, False)
        self._tell(
            f"A phone asks to be paired and shows {asked.number}. If it is yours, hold the button "
            f"at the frame."
        )
        return asked

    def confirm(self) -> bool:
        """Confirm the request at the frame. False: no phone asks now."""
        self.drop_old()
        if self._asked is None or self._asked[2]:
            return False
        asked, end_s, _ = self._asked
        self._asked = (asked, end_s + REQUEST_LIFE_s, True)
        self._tell(None)
        return True

    def collect(self, ticket: str) -> Asked | Literal["waits", "over"]:
        """Return the phone with this ticket once it is confirmed; the ticket is then spent."""
        self.drop_old()
        if self._asked is None:
            return "over"
        asked, _, confirmed = self._asked
        if not hmac.compare_digest(asked.ticket.encode(), ticket.encode()):
            return "over"
        if confirmed:
            self._asked = None
        return asked if confirmed else "waits"

    def drop_old(self) -> None:
        """Forget a phone that was not confirmed in time."""
        if self._asked is not None and self._asked[1] <= self._clock.now_s():
            self._asked = None
            self._tell(None)
