"""Rule that detects the gel of the witness cup from the strokes of the gel rod."""

from __future__ import annotations

from dataclasses import dataclass, replace

from evenwall.devices.interfaces import Stroke

# Successive strokes after which the rod counts as free (it followed) or held (it did not). One
# failed stroke may be a hand at the cup. (Own choice.)
FREE_STROKES, HELD_STROKES = 3, 3
# If the rod was never free in this many first strokes, somebody should look at it.
DOUBTED_STROKES = 12


@dataclass(frozen=True, slots=True)
class RodWatch:
    """Strokes in one cup so far. held: successive failures; free: the rod was seen to swing."""

    strokes: int = 0
    followed: int = 0  # in succession
    held: int = 0  # in succession
    free: bool = False

    def after(self, stroke: Stroke) -> RodWatch:
        """Return the watch after one more stroke."""
        follows = stroke.lag_s is not None
        followed = self.followed + 1 if follows else 0
        return replace(
            self,
            strokes=self.strokes + 1,
            followed=followed,
            held=0 if follows else self.held + 1,
            free=self.free or followed >= FREE_STROKES,
        )

    @property
    def gelled(self) -> bool:
        """Whether the cup now holds a rod that swung freely before."""
        return self.free and self.held >= HELD_STROKES

    @property
    def doubtful(self) -> bool:
        """Whether the rod has never swung freely: a spring, a switch or a wire is at fault."""
        return not self.free and self.strokes >= DOUBTED_STROKES
