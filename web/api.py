"""Guide page about the interface over HTTP: `python -m evenwall_web.api` writes
web/guide/api.md."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from evenwall_web.app import interface

PAGE = Path(__file__).resolve().parent / "guide" / "api.md"
ABOUT = """\
# The interface over HTTP

Everything that the phone shows and does goes over these addresses. Your own programs may use them
too. `/openapi.json` on a running panel is the same description for machines (OpenAPI 3.1). This
page is written from it by `python -m evenwall_web.api`.

A paired phone is identified by the cookie `evenwall`. A request that changes something also carries
the session's token in the header `x-evenwall-csrf`. `POST /api/pair` with a one-time code gives
both. No request can start the frame while its guard is open."""


def _kind(found: dict[str, Any]) -> str:
    """Return the kind of a property in a few words, with its limits."""
    if "$ref" in found:
        name = found["$ref"].rpartition("/")[2]
        return f"[{name}](#{name.lower()})"
    if "const" in found:
        return f"`{found['const']}`"
    if "enum" in found:
        return ", ".join(f"`{value}`" for value in found["enum"])
    for several in ("anyOf", "oneOf", "allOf"):
        if several in found:
            kinds = [_kind(one) for one in found[several]]
            return " or ".join(dict.fromkeys(kinds))
    if found.get("type") == "array":
        inner = found.get("items") or (found.get("prefixItems") or [{}])[0]
        return f"list of {_kind(inner)}"
    return f"{found.get('type', 'any value')}{_limits(found)}"


def _limits(found: dict[str, Any]) -> str:
    low = found.get("minimum", found.get("exclusiveMinimum"))
    high = found.get("maximum", found.get("exclusiveMaximum"))
    above = "above" if "exclusiveMinimum" in found else "from"
    below = "below" if "exclusiveMaximum" in found else "to"
    parts = [f"{above} {low:g}"] if low is not None else []
    parts += [f"{below} {high:g}"] if high is not None else []
    return f", {' '.join(parts)}" if parts else ""


def _row(*cells: str) -> str:
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def page(document: dict[str, Any]) -> str:
    """Return the guide's page of the interface, in Markdown."""
    lines = [
        *ABOUT.splitlines(),
        "",
        "## Addresses",
        "",
        _row("address", "what it does", "answer"),
        _row("---", "---", "---"),
    ]
    for path, operations in sorted(document["paths"].items()):
        for verb, operation in operations.items():
            words = operation.get("description") or operation.get("summary", "")
            done = next(code for code in operation["responses"] if code.startswith("2"))
            content: dict[str, Any] = operation["responses"][done].get("content", {})
            schema = next((kind.get("schema") for kind in content.values()), None)
            answer = _kind(schema) if schema else "no body"
            lines.append(_row(f"`{verb.upper()} {path}`", " ".join(words.split()), answer))
    lines += ["", "## Documents", ""]
    for schema, body in sorted(
        document["components"]["schemas"].items(), key=lambda s: s[0].lower()
    ):
        if "enum" in body:
            lines += [f"### {schema}", "", _kind(body), ""]
            continue
        lines += [f"### {schema}", ""]
        if about := body.get("description"):
            lines += [" ".join(about.split()), ""]
        if body.get("properties"):
            lines += [_row("property", "kind", "unit", "meaning"), _row(*["---"] * 4)]
            for name, found in body["properties"].items():
                unit = found.get("x-unit", "")
                lines.append(_row(f"`{name}`", _kind(found), unit, found.get("description", "")))
            lines.append("")
    return "\n".join(lines).rstrip() + "\n"


if __name__ == "__main__":
    PAGE.write_text(page(interface().openapi()), encoding="utf-8")
