"""The OpenAPI document against the running panel: fuzzed, no 5xx, no undocumented answer."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from evenwall.model.orders import ORDERS
from evenwall_web.limiter import Limiter
from tests.web.server import PanelServer

CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
]


@pytest.fixture(scope="module")
def panel() -> Iterator[PanelServer]:
    with PanelServer(speed=10) as panel:
        yield panel


@pytest.fixture(scope="module")
def schema(panel: PanelServer) -> Any:
    return schemathesis.openapi.from_url(f"{panel.url}/openapi.json")


@pytest.fixture(scope="module")
def session(panel: PanelServer) -> dict[str, Any]:
    """An operator's cookie and token, with the limits lifted so that the fuzz gets through."""
    desk = panel.app.state.desk
    for limiter in (desk.commands, desk.work, desk.people._tries, desk.people._tries_by_peer):
        assert isinstance(limiter, Limiter)
        limiter._burst = 1e9
    answer = httpx.post(f"{panel.url}/api/pair", json={"code": panel.code()})
    panel.call(panel.rig.begin)
    return {
        "headers": {"x-evenwall-csrf": answer.json()["csrf"]},
        "cookies": {"evenwall": answer.cookies["evenwall"]},
    }


def fuzz(schema: Any, only: str, examples: int, check: Callable[[Any], None]) -> int:
    """Every operation whose path contains `only`, with generated data good and bad."""
    count = 0
    for found in schema.get_all_operations():
        operation = found.ok()
        if only not in operation.path or operation.path == "/api/stream":  # it never ends
            continue
        count += 1

        @settings(
            max_examples=examples,
            deadline=None,
            derandomize=True,
            database=None,
            suppress_health_check=list(HealthCheck),
        )
        @given(case=operation.as_strategy())
        def once(case: Any) -> None:
            check(case)

        once()
    return count


def test_every_answer_is_documented_and_none_is_5xx(schema: Any, session: dict[str, Any]) -> None:
    def check(case: Any) -> None:
        # Unpairing the session that does the fuzzing would make the rest of it pointless.
        if "revoke" in case.path:
            case.path_parameters["session_id"] = "nobody"
        headers = {**(case.headers or {}), **session["headers"]}
        case.call_and_validate(checks=CHECKS, headers=headers, cookies=session["cookies"])

    assert fuzz(schema, "/api/", 15, check) > 25


def test_no_command_gets_through_without_a_session(schema: Any, panel: PanelServer) -> None:
    before = panel.call(lambda: len(panel.rig.commands))

    def check(case: Any) -> None:
        answer = case.call(cookies={}, headers={"x-evenwall-csrf": "guess"})
        assert answer.status_code in {401, 422}

    assert fuzz(schema, "/api/command/", 5, check) == len(ORDERS)
    assert panel.call(lambda: len(panel.rig.commands)) == before
