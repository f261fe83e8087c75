"""The description of the interface: a sentence and a unit for each property, and its page."""

from __future__ import annotations

from typing import Any

import pytest

from evenwall.model import unit_of
from evenwall_web import api, described
from evenwall_web.app import interface


@pytest.fixture(scope="module")
def document() -> dict[str, Any]:
    return interface().openapi()


def test_every_property_has_a_sentence_and_its_unit(document: dict[str, Any]) -> None:
    assert described.undescribed(document) == []
    for body in document["components"]["schemas"].values():
        for name, found in body.get("properties", {}).items():
            assert found["description"].endswith("."), name
            assert found.get("x-unit", "") == unit_of(name)


def test_no_sentence_is_left_over(document: dict[str, Any]) -> None:
    schemas = document["components"]["schemas"]
    names = {name for body in schemas.values() for name in body.get("properties", {})}
    for schema, sentences in described.meanings().items():
        if schema == "anywhere":
            assert set(sentences) <= names
            continue
        bodies = [body for name, body in schemas.items() if name.partition("-")[0] == schema]
        assert bodies, schema
        assert set(sentences) <= {name for body in bodies for name in body.get("properties", {})}


def test_what_needs_a_paired_phone_says_so(document: dict[str, Any]) -> None:
    """OpenAPI Specification 3.1.0, 4.8.30: each name of a requirement is a scheme declared."""
    declared = set(document["components"]["securitySchemes"])
    start = document["paths"]["/api/command/start"]["post"]
    assert start["security"] == [{"phone": [], "token": []}]
    assert document["paths"]["/api/snapshot"]["get"]["security"] == [{"phone": []}]
    assert "security" not in document["paths"]["/api/pair"]["post"]
    for operations in document["paths"].values():
        for operation in operations.values():
            assert {n for one in operation.get("security", []) for n in one} <= declared


def test_the_page_is_of_today(document: dict[str, Any]) -> None:
    written = api.PAGE.read_text(encoding="utf-8")
    assert written == api.page(document), "write it anew: python -m evenwall_web.api"
