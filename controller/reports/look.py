"""Look of every plot: the panel's ink, paper, amber and typeface."""

from __future__ import annotations

from pathlib import Path

import matplotlib
from matplotlib import font_manager

from evenwall.palette import COATS, HAIR, INK, PAPER, PEN

_FOLDER = Path(__file__).resolve().parent / "fonts"
# The panel's own typeface (licence: web/panel/vendor/bitter-LICENSE.txt), upright and bold.
REGULAR, BOLD = _FOLDER / "bitter-regular.ttf", _FOLDER / "bitter-bold.ttf"
FAMILY = "Bitter"


def set_look() -> None:
    """Give every figure drawn from now on the panel's look."""
    for font in (REGULAR, BOLD):
        font_manager.fontManager.addfont(str(font))
    cycle = ", ".join(f"'{colour[1:]}'" for colour in (PEN, *COATS[1:]))
    matplotlib.rcParams.update(
        {
            "font.family": [FAMILY, "DejaVu Sans"],  # the second for signs that the first lacks
            "text.color": INK,
            "axes.edgecolor": INK,
            "axes.labelcolor": INK,
            "axes.titlecolor": INK,
            "axes.facecolor": "none",
            "axes.prop_cycle": f"cycler('color', [{cycle}])",
            "axes.spines.top": False,
            "axes.spines.right": False,
            "xtick.color": INK,
            "ytick.color": INK,
            "grid.color": HAIR,
            "legend.frameon": False,
            "figure.facecolor": PAPER,
            "savefig.facecolor": "auto",
        }
    )
