"""Token buckets, which limit how often a client may ask."""

from __future__ import annotations

from evenwall_bridge.contract import Clock


class Limiter:
    """Token buckets by key: `burst` at once, `per_s` in the long run, bounded in memory."""

    def __init__(self, clock: Clock, burst: float, per_s: float, keys: int = 1000) -> None:
        self._clock, self._burst, self._per_s, self._keys = clock, burst, per_s, keys
        self._left: dict[str, tuple[float, float]] = {}

    def allow(self, key: str) -> bool:
        now_s = self._clock.now_s()
        left, at_s = self._left.pop(key, (self._burst, now_s))
        left = min(self._burst, left + (now_s - at_s) * self._per_s)
        allowed = left >= 1
        self._left[key] = (left - 1 if allowed else left, now_s)
        while len(self._left) > self._keys:
            self._left.pop(next(iter(self._left)))
        return allowed
