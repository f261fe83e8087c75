"""Bytes and time under a rig, given by a subclass for a serial line or a simulation."""

from __future__ import annotations

from evenwall_bridge.wire import StateRow


class Carrier:
    """Carries bytes to and from a board. A subclass implements every method."""

    _speed = 1.0  # board seconds per second of the link's own time
    _keep_default_s = 0.25

    def _connect(self) -> None:
        """Connect to the board. Raises LinkLost."""
        raise NotImplementedError

    def _disconnect(self) -> None:
        raise NotImplementedError

    def _write(self, data: bytes) -> None:
        """Send these bytes; `_incoming` is called with the bytes that come back."""
        raise NotImplementedError

    def _now_s(self) -> float:
        """Return the link's own time, in which its deadlines are."""
        raise NotImplementedError

    async def _pause(self, duration_s: float) -> None:
        """Wait in the link's own time."""
        raise NotImplementedError

    def _host_s(self, slice_number: int) -> float:
        """Return the time of a board slice on the host's clock."""
        raise NotImplementedError

    def _arrived(self, row: StateRow) -> None:
        """Take note of a state row that has just come."""

    def _begun(self) -> None:
        """Begin a new link: earlier knowledge of the board's clock may be wrong."""
