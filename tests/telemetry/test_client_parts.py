"""The private parts of the client library that broker.py corrects are unchanged.

A release that renames one would silently disable the correction, so the bounds in pyproject.toml
end before the next release; this test shows what to check when they are moved.
"""

from __future__ import annotations

import inspect

import aiomqtt

from evenwall.telemetry.broker import BrokerClient

MENDED = {
    "_wait_for": ["self", "fut", "timeout"],
    "_on_publish": ["self", "client", "userdata", "mid", "reason_code", "properties"],
}


def test_the_parts_that_are_mended_are_there() -> None:
    for name, parameters in MENDED.items():
        theirs = inspect.signature(getattr(aiomqtt.Client, name))
        ours = inspect.signature(getattr(BrokerClient, name))
        assert list(theirs.parameters) == parameters == list(ours.parameters), name


def test_they_are_asked_where_they_were() -> None:
    source = inspect.getsource(aiomqtt.Client)
    assert "self._client.on_publish = self._on_publish" in source
    # To connect, subscribe, publish and disconnect: each wait for the broker goes through it.
    assert source.count("await self._wait_for(") >= 4
