"""Settings of the panel: its address, its clients, its files."""

from __future__ import annotations

import socket
from dataclasses import dataclass
from pathlib import Path

LOOPBACK = frozenset({"127.0.0.1", "::1", "localhost"})


@dataclass(frozen=True)
class Settings:
    """Settings. The host is loopback by default, so a person must choose to open the panel to a
    network."""

    host: str = "127.0.0.1"
    port: int = 8713
    names: tuple[str, ...] = ()  # further host names the panel answers to
    state_dir: Path | None = None  # sessions and the audit live here; None keeps them in memory
    tls_cert: Path | None = None
    tls_key: Path | None = None
    settings_trouble: str = ""  # said on the page: why the configuration file is not used
    tls_trouble: str = ""  # said on the page: why the certificate is not the usual one
    tls_authority: Path | None = None  # the rig's own, which phones are shown how to trust
    push_on_loopback: bool = False  # phones at a push service on this machine: tests alone
    code_life_s: float = 600.0
    session_life_days: int = 30

    @property
    def loopback_only(self) -> bool:
        return self.host in LOOPBACK

    @property
    def tls(self) -> bool:
        return self.tls_cert is not None

    @property
    def address(self) -> str:
        """Address for a phone: the listening host, or this machine's address on the network."""
        host = reached_at(self.host)
        host = f"[{host}]" if ":" in host else host
        return f"{'https' if self.tls else 'http'}://{host}:{self.port}/"

    def answers_to(self, host: str, listening: str) -> bool:
        """Whether a request's Host is one of ours, so that a rebound name gets nothing.

        host: the name in the request; listening: the address its connection came in on.
        """
        own = {listening, self.host, *self.names}
        if listening in LOOPBACK:
            own |= LOOPBACK
        if not self.loopback_only:
            own |= {socket.gethostname(), f"{socket.gethostname()}.local"}
        return host.lower() in {name.lower() for name in own}


def reached_at(host: str) -> str:
    """Address that a phone uses for a listening host."""
    return _own_address() if host in {"0.0.0.0", "::"} else host


def _own_address() -> str:
    """The address of the interface that faces the network; connecting UDP sends nothing."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # RFC 5737: an address for documentation
        except OSError:
            return socket.gethostname()
        return str(probe.getsockname()[0])
