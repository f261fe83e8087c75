"""One POST to another machine, bounded in time and size, without following redirects."""

from __future__ import annotations

import asyncio
import ipaddress
import os
import re
import ssl
from collections.abc import Awaitable, Callable
from functools import cache
from urllib.parse import SplitResult, urlsplit

from evenwall.errors import EvenwallError, InputError

SEND_S = 10.0  # for the whole exchange: name, connection, handshake, answer
LINE_bytes = 4096  # of the answer's first line; nothing else of it is read
Post = Callable[[str, dict[str, str], bytes], Awaitable[int]]  # returns the status

# Names that no public register gives out: RFC 6761, RFC 6762, RFC 8375; the others by use.
_INSIDE = (".local", ".localhost", ".internal", ".home.arpa", ".lan", ".home", ".corp")
_NAT64 = ipaddress.ip_network("64:ff9b::/96")  # RFC 6052: the last 32 bits are an IPv4 address
_PRINTED = re.compile(r"[!-~]+")
_NUMBER = re.compile(r"(0x[0-9a-f]*|[0-9]+)")


class NotSent(EvenwallError):
    """A message was not accepted; the text gives the reason."""


def is_public(address: str) -> bool:
    """Whether an IP address lies outside this machine and every private network, also when it
    carries an IPv4 address inside. Raises ValueError if it is no address."""
    ip = ipaddress.ip_address(address.partition("%")[0])
    if isinstance(ip, ipaddress.IPv6Address):
        inside = ip.ipv4_mapped or ip.sixtofour
        if ip in _NAT64:
            inside = ipaddress.IPv4Address(int(ip) & 0xFFFFFFFF)
        if inside is not None:
            return is_public(str(inside))
    return ip.is_global and not ip.is_multicast


def _split(url: str) -> SplitResult:
    """Raise ValueError if the address is no http address of printed ASCII."""
    parts = urlsplit(url)
    if parts.scheme not in {"http", "https"} or not parts.hostname or not _PRINTED.fullmatch(url):
        raise ValueError("is no web address")
    if parts.username is not None or parts.password is not None or parts.port == 0:
        raise ValueError("is no web address")
    return parts


def _private_name(host: str) -> bool:
    host = host.rstrip(".").lower()
    try:
        return not is_public(host)
    except ValueError:
        # A last label that is a number makes the whole an IPv4 address, as in 127.1.
        last = host.rpartition(".")[2]
        return "." not in host or host.endswith(_INSIDE) or bool(_NUMBER.fullmatch(last))


def check_endpoint(endpoint: str, *, loopback: bool = False) -> None:
    """Raise InputError if no push service can have this address. loopback: allow this machine."""
    try:
        parts = _split(endpoint)
        host = parts.hostname or ""
        if loopback and host in {"127.0.0.1", "localhost"}:
            return
        wrong = parts.scheme != "https" or _private_name(host)
    except ValueError:
        wrong = True
    if wrong:
        raise InputError("endpoint", endpoint[:60], "must be a push service's https address")


@cache
def _context() -> ssl.SSLContext:
    return ssl.create_default_context()


async def post(url: str, headers: dict[str, str], body: bytes) -> int:
    """POST to an address that the rig's owner has chosen; return the status. Raises NotSent."""
    return await _bounded(url, headers, body, abroad=False)


async def post_abroad(url: str, headers: dict[str, str], body: bytes) -> int:
    """As `post`, but only to an address outside this network, whatever its name resolves to."""
    return await _bounded(url, headers, body, abroad=True)


async def _bounded(url: str, headers: dict[str, str], body: bytes, *, abroad: bool) -> int:
    try:
        async with asyncio.timeout(SEND_S):
            return await _exchange(url, headers, body, abroad)
    except TimeoutError:
        raise NotSent(f"no answer within {SEND_S:.0f} s") from None
    except (OSError, ValueError) as error:
        raise NotSent(_reason(error)[:120]) from None


def _reason(error: OSError | ValueError) -> str:
    if isinstance(error, ConnectionError) and error.errno:
        return os.strerror(error.errno)  # asyncio has its own message for it
    return getattr(error, "strerror", None) or str(error)


async def _exchange(url: str, headers: dict[str, str], body: bytes, abroad: bool) -> int:
    parts = _split(url)
    host, tls = parts.hostname or "", parts.scheme == "https"
    port = parts.port or (443 if tls else 80)
    found = await asyncio.get_running_loop().getaddrinfo(host, port, proto=6)  # TCP
    addresses = [str(entry[4][0]) for entry in found]
    # The checked address is the one that is used: the name is not resolved twice.
    if abroad and not all(is_public(address) for address in addresses):
        raise NotSent("its name leads into this network")
    context = await asyncio.to_thread(_context) if tls else None
    reader, writer = await asyncio.open_connection(
        addresses[0], port, ssl=context, server_hostname=host if tls else None, limit=LINE_bytes
    )
    try:
        path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
        said = {"Host": parts.netloc, "Connection": "close", "Content-Length": str(len(body))}
        lines = [f"POST {path} HTTP/1.1"] + [f"{k}: {v}" for k, v in (headers | said).items()]
        writer.write(("\r\n".join(lines) + "\r\n\r\n").encode("ascii") + body)
        await writer.drain()
        answer = re.match(rb"HTTP/1\.[01] ([1-5][0-9][0-9])\b", await reader.readline())
    finally:
        writer.transport.abort()
    if answer is None:
        raise NotSent("the answer is not HTTP")
    return int(answer[1])
