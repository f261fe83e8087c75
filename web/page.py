"""The panel's page, and the policy for what it may load."""

from __future__ import annotations

import hashlib
import json
from base64 import b64encode
from pathlib import Path

from jinja2 import Environment, FileSystemLoader

from evenwall.model import Snapshot
from evenwall.palette import style_variables
from evenwall.units import FIGURE, NUMBER, SHOWN

PANEL = Path(__file__).parent / "panel"


class Page:
    """The panel's page, with the newest sentence in it, readable before any script runs."""

    def __init__(self) -> None:
        self.css = style_variables() + (PANEL / "panel.css").read_text(encoding="utf-8")
        templates = Environment(loader=FileSystemLoader(PANEL), autoescape=True)
        self._template = templates.get_template("index.html")
        digest = b64encode(hashlib.sha256(self.css.encode()).digest()).decode()
        self.policy = "; ".join(
            (
                "default-src 'none'",
                "script-src 'self'",
                f"style-src 'sha256-{digest}'",
                "img-src 'self' data:",
                "font-src 'self'",
                "connect-src 'self'",
                "manifest-src 'self'",
                "worker-src 'self'",
                "base-uri 'none'",
                "form-action 'none'",
                "frame-ancestors 'none'",
            )
        )

    def html(self, seen: Snapshot | None) -> str:
        return self._template.render(css=self.css, seen=seen, modules=_MODULES, units=_UNITS)


_MODULES = sorted(file.name for file in PANEL.glob("*.js") if file.name != "sw.js")

# Rules to find and show the figures in sentences, for the phone that formats them.
_UNITS = json.dumps({"figure": FIGURE, "number": NUMBER, "shown": SHOWN}).replace("<", "\\u003c")
