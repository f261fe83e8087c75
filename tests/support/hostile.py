"""Spoilt documents: a good one, changed in a few places as damage, programs and attackers would. A
seed makes every case repeatable."""

from __future__ import annotations

import copy
import random
from typing import Any

# Finite and absurd, of the wrong kind, empty, endless, or what another format calls a number.
ABSURD: tuple[Any, ...] = (
    0, -1, 1, 0.0, -0.0, 1e-300, 1e300, 1e308, -1e308, 1e17, 1e-9, 2**63, -(2**63), 2**200,
    float("nan"), float("inf"), float("-inf"), True, False, None, "", "0", "1e5", "nan", "x" * 100,
    "x" * 10_000, "\x00", "\ud800", "\u202e", "../../etc/passwd", "/dev/zero", "file:///etc/passwd",
    "<script>", "%s%n", [], {}, [[]], [{}], {"": {}}, [None], [1e300, 1e300], {"a": 1},
)  # fmt: skip
FACTORS = (-1.0, 0.0, 1e-12, 0.01, 0.5, 0.99, 1.01, 2.0, 100.0, 1e12, 1e300)


def places(value: Any, here: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Return the path of every part of a plain value, the whole one first."""
    found = [here]
    pairs: Any = ()
    if isinstance(value, dict):
        pairs = value.items()
    elif isinstance(value, list):
        # The first, a middle and the last of a long list stand for all.
        many = len(value)
        picks = range(many) if many < 6 else (0, 1, many // 2, many - 2, many - 1)
        pairs = [(index, value[index]) for index in picks]
    for key, inner in pairs:
        found += places(inner, (*here, key))
    return found


def nested(levels: int) -> Any:
    """Return a list in a list, `levels` deep."""
    value: Any = 1.0
    for _ in range(levels):
        value = [value]
    return value


def _spoil(holder: Any, key: Any, draw: random.Random) -> None:
    """Change one part of a table or a list in place."""
    value = holder[key]
    match draw.randrange(9):
        case 0 | 1 | 2:
            holder[key] = copy.deepcopy(draw.choice(ABSURD))
        case 3 | 4 if isinstance(value, int | float) and not isinstance(value, bool):
            holder[key] = value * draw.choice(FACTORS)
        case 5:
            del holder[key]
        case 6 if isinstance(holder, dict):
            holder[draw.choice(("extra", "__class__", "", "sha256", "x" * 300))] = value
        case 6 if isinstance(holder, list):
            holder.insert(draw.randrange(len(holder) + 1), copy.deepcopy(value))
        case 7 if isinstance(holder, list) and len(holder) > 1:
            draw.shuffle(holder)
        case 7 if isinstance(holder, dict):
            other = draw.choice(list(holder))
            holder[key], holder[other] = holder[other], holder[key]
        case 8:
            holder[key] = nested(draw.choice((3, 60)))
        case _:
            holder[key] = copy.deepcopy(draw.choice(ABSURD))


def spoilt(good: Any, draw: random.Random) -> Any:
    """Return a copy of a good document, spoilt in one place or a few."""
    document = copy.deepcopy(good)
    for _ in range(draw.choice((1, 1, 1, 2, 4))):
        inside = [path for path in places(document) if path]
        if not inside:
            break
        *way, key = draw.choice(inside)
        holder = document
        for part in way:
            holder = holder[part]
        _spoil(holder, key, draw)
    return document


def damaged(content: bytes, draw: random.Random) -> bytes:
    """Return a file's bytes as a power cut, a bad card or a wrong hand leaves them."""
    match draw.randrange(8):
        case 0:
            return b""
        case 1:
            return content[: draw.randrange(len(content) + 1)]
        case 2:
            spoiled = bytearray(content)
            for _ in range(draw.choice((1, 4, 64))):
                if spoiled:
                    spoiled[draw.randrange(len(spoiled))] ^= 1 << draw.randrange(8)
            return bytes(spoiled)
        case 3:
            return bytes(draw.randrange(256) for _ in range(draw.choice((1, 100, 5000))))
        case 4:
            return b"\x00" * max(1, len(content))
        case 5:
            at = draw.randrange(len(content) + 1)
            return content[:at] + b"\x00" * 512 + content[at + 512 :]
        case 6:
            return content + content
        case _:
            return draw.choice(
                (b"[]", b"{}", b"null", b"5", b"\xff\xfe", b'{"version": 99}', b"\n")
            )
