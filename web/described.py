"""Sentences and units for the interface over HTTP, from meanings.toml.

`describe` puts them into the OpenAPI document that the panel serves (OpenAPI Specification 3.1.0).
"""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path
from typing import Any

from fastapi import FastAPI

from evenwall.model import unit_of

HERE = Path(__file__).resolve().parent
_ANYWHERE = "anywhere"
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
    """Return the sentences by schema; `anywhere` holds those for all other schemas."""
    with (HERE / "meanings.toml").open("rb") as file:
        return tomllib.load(file)


def _meaning(schema: str, name: str) -> str:
    """Return the sentence of a property, or an empty string where none is written."""
    tables = meanings()
    # Requests and answers may have separate models: `Casting-Input`.
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
        """Return the document, which is made only once."""
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
