"""The page into which the long runs write their results: web/guide/soak.md."""

from __future__ import annotations

from pathlib import Path

PAGE = Path(__file__).resolve().parents[2] / "web" / "guide" / "soak.md"


def write_part(name: str, text: str) -> None:
    """Put this between the marks of that name. Raises ValueError when the page has none."""
    page = PAGE.read_text(encoding="utf-8")
    before, rest = page.split(f"<!-- {name} -->\n")
    _, after = rest.split(f"<!-- end of {name} -->\n")
    PAGE.write_text(
        f"{before}<!-- {name} -->\n\n{text}\n\n<!-- end of {name} -->\n{after}", encoding="utf-8"
    )
