"""Colours of every picture, on paper and on the phone: ink, paper, amber, and the wall's scale.

The panel's style sheet, the printed pages and the plots take their colours from here. Amber is
resin; the signal colour is kept for stopping and for the guard.
"""

from __future__ import annotations

from typing import TypedDict

# Name of the style sheet's variable: (colour in the light look, colour in the dark look).
LOOKS: dict[str, tuple[str, str]] = {
    "paper": ("#f6f3ea", "#10191d"),
    "desk": ("#e4ddcb", "#080d0f"),
    "ink": ("#17313a", "#e9e4d6"),
    "faint": ("#4c6067", "#a9b3b1"),
    "rule": ("#b9b7a6", "#4b5a5e"),
    "hair": ("#d9d4c3", "#26343a"),
    "pen": ("#174a8a", "#8fbcf2"),
    "signal": ("#96210c", "#ff9d85"),
    "stop": ("#a3260f", "#e2664a"),
    "on-stop": ("#fffaf2", "#1c0602"),
    "wash": ("#efe9d9", "#18252a"),
    "amber-1": ("#f0c877", "#7a4a14"),
    "amber-2": ("#d89a35", "#b5741e"),
    "amber-3": ("#a96414", "#e0a445"),
    "amber-4": ("#713a0c", "#f7d38d"),
    "band": ("#c3d5d8", "#2b464f"),
}

PAPER, INK, FAINT, RULE, HAIR, PEN, SIGNAL, BAND, WASH = (
    LOOKS[name][0]
    for name in ("paper", "ink", "faint", "rule", "hair", "pen", "signal", "band", "wash")
)
COATS = tuple(LOOKS[f"amber-{k}"][0] for k in (1, 2, 3, 4))  # colours of successive coats

# Thickness: light is thin and dark is thick, so that the scale also works without colour vision.
AMBER = ("#fdf0d0", "#f2c97a", "#d89430", "#9e5a12", "#5c2c08")
SPREAD = 0.30  # from the wanted wall to the scale's ends, relative; beyond them the colour stays


class WallScale(TypedDict):
    """The wall's colours as data: `stops` at even steps from low_mm to high_mm."""

    wanted_mm: float
    low_mm: float
    high_mm: float
    stops: tuple[str, ...]


def wall_scale(wanted_mm: float) -> WallScale:
    """Return the colour scale, symmetric about the wanted wall."""
    return WallScale(
        wanted_mm=wanted_mm,
        low_mm=(1.0 - SPREAD) * wanted_mm,
        high_mm=(1.0 + SPREAD) * wanted_mm,
        stops=AMBER,
    )


def style_variables() -> str:
    """Return the colours as variables of a style sheet, for both looks."""
    lines = "".join(f"  --{name}: light-dark({a}, {b});\n" for name, (a, b) in LOOKS.items())
    return f":root {{\n  color-scheme: light dark;\n{lines}}}\n"
