"""The bytes and the time under a rig: what a subclass for a serial line or a simulation gives."""

from __future__ import annotations

from evenwall_bridge.wire import StateRow


class Carrier:
    """Carries bytes to and from a board. A subclass fills every method in."""

    _speed = 1.0  # board seconds per second of the link's own time
    _keep_default_s = 0.25

    def _connect(self) -> None:
        """Get hold of the bytes. Raises LinkLost."""
        raise NotImplementedError

    def _disconnect(self) -> None:
        raise NotImplementedError

    def _write(self, data: bytes) -> None:
        """Take these bytes; `_incoming` is called with what comes back."""
        raise NotImplementedError

    def _now_s(self) -> float:
        """The link's own time, in which its deadlines are."""
        raise NotImplementedError

    async def _pause(self, duration_s: float) -> None:
        """Wait in the link's own time."""
        raise NotImplementedError

    def _host_s(self, slice_number: int) -> float:
        """A moment of the board on the host's clock."""
        raise NotImplementedError

    def _arrived(self, row: StateRow) -> None:
        """A state row came just now."""

    def _begun(self) -> None:
        """A new link begins: what was known of the board's clock may be wrong."""
