"""The newest reading of every probe, by its role."""

from __future__ import annotations

from collections.abc import Mapping

from evenwall.devices.interfaces import Probe, Reading
from evenwall.model import ProbeSpec
from evenwall.run.tasks import Tasks
from evenwall_bridge.contract import Clock

READING_STALE_S = 15.0  # an older reading counts as lost


class ProbeReadings:
    """Reads each probe every `sample_s`, in its own task."""

    def __init__(
        self, probes: Mapping[str, tuple[ProbeSpec, Probe]], clock: Clock, sample_s: float
    ) -> None:
        """Set up the probes, keyed by role (resin, room, mould)."""
        self._probes, self._clock, self._sample_s = probes, clock, sample_s
        self._newest: dict[str, Reading] = {}

    def start(self, tasks: Tasks) -> None:
        """Begin to read."""
        for role, (_, probe) in self._probes.items():
            tasks.spawn(self._read(role, probe))

    async def _read(self, role: str, probe: Probe) -> None:
        while True:
            self._newest[role] = await probe.read()
            await self._clock.sleep(self._sample_s)

    def spec(self, role: str) -> ProbeSpec:
        """Return this probe's entry in the rig file; the default if it has none."""
        return self._probes[role][0] if role in self._probes else ProbeSpec()

    def reading(self, role: str, now_s: float) -> Reading | None:
        """Return the newest reading; a lost one if it is old, None if there is no such probe."""
        reading = self._newest.get(role)
        if reading is None and role not in self._probes:
            return None
        if reading is None or now_s - reading.at_s > READING_STALE_S + self._sample_s:
            return Reading(now_s, None, "probe_lost")
        return reading

    async def close(self) -> None:
        """Close every probe."""
        for _, probe in self._probes.values():
            await probe.close()
