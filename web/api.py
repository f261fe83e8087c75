"""The interface over HTTP, described: a sentence and a unit for each property, and a page of it.

The sentences stand in meanings.toml. `describe` puts them into the OpenAPI document that the panel
serves (OpenAPI Specification 3.1.0), and `python -m evenwall_web.api` writes web/guide/api.md.
"""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path
from typing import Any

from fastapi import FastAPI

from evenwall.model import unit_of

HERE = Path(__file__).resolve().parent
PAGE = HERE / "guide" / "api.md"
_ANYWHERE = "anywhere"
ABOUT = """\
# The interface over HTTP

Everything that the phone shows and does goes over these addresses. A program of your own may use
them too. `/openapi.json` on a running panel is the same description for machines (OpenAPI 3.1).
This page is written from it by `python -m evenwall_web.api`.

A paired phone is known by the cookie `evenwall`. A request that changes something also carries the
session's token in the header `x-evenwall-csrf`. `POST /api/pair` with a one-time code gives both.
No request can start the frame while its guard is open."""
SECURITY = {
    "phone": {
        "type": "apiKey",
        "in": "cookie",
        "name": "evenwall",
        "description": "Cookie of a paired phone; `POST /api/pair` sets it.",
    },
    "token": {
        "type": "apiKey",
        "in": "header",
        "name": "x-evenwall-csrf",
        "description": "Token of the session; every request that changes something carries it.",
    },
}


@cache
def meanings() -> dict[str, dict[str, str]]:
    """Return the sentences: by schema, and `anywhere` for the rest."""
    with (HERE / "meanings.toml").open("rb") as file:
        return tomllib.load(file)


def _meaning(schema: str, name: str) -> str:
    """Return the sentence of a property, or an empty string where none is written."""
    tables = meanings()
    # The models of requests and answers may be apart: `Casting-Input`.
    own = tables.get(schema.partition("-")[0], {})
    return own.get(name) or tables[_ANYWHERE].get(name, "")


def describe(document: dict[str, Any]) -> dict[str, Any]:
    """Return the OpenAPI document with meaning, unit and security added in place."""
    parts = document["components"]
    for schema, body in parts["schemas"].items():
        for name, found in body.get("properties", {}).items():
            if sentence := _meaning(schema, name):
                found["description"] = sentence
            if unit := unit_of(name):
                found["x-unit"] = unit
    parts["securitySchemes"] = SECURITY
    for path, operations in document["paths"].items():
        for verb, operation in operations.items():
            if "401" in operation["responses"]:
                changes = verb != "get"
                operation["security"] = [{"phone": [], "token": []} if changes else {"phone": []}]
            operation.setdefault("operationId", f"{verb} {path}")
    return document


class Interface(FastAPI):
    """The application; its OpenAPI document has a sentence and a unit for each property."""

    def openapi(self) -> dict[str, Any]:
        """Return the document, made once."""
        if self.openapi_schema is None:
            self.openapi_schema = describe(super().openapi())
        return self.openapi_schema


def undescribed(document: dict[str, Any]) -> list[str]:
    """Return the properties without a sentence, as `Schema.property`."""
    return [
        f"{schema}.{name}"
        for schema, body in document["components"]["schemas"].items()
        for name in body.get("properties", {})
        if not _meaning(schema, name)
    ]


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
    from evenwall_web.app import interface

    PAGE.write_text(page(interface().openapi()), encoding="utf-8")
