"""Where the station listens, and under which addresses others reach it."""

from __future__ import annotations

import socket
from dataclasses import dataclass
from pathlib import Path

from server.screen.certificate import own_addresses
from server.screen.keys import is_loopback

FIRST_PORT, LAST_PORT = 8_420, 8_439


class NoPort(Exception):
    """No port to listen on; the message says which were tried."""


@dataclass(frozen=True)
class Listening:
    """Where the station listens. `https`: the plan, beside which its own certificate is kept."""

    host: str = "127.0.0.1"
    port: int | None = None
    browser: bool = False
    https: Path | None = None

    @property
    def scheme(self) -> str:
        return "http" if self.https is None else "https"

    @property
    def guarded(self) -> bool:
        return not is_loopback(self.host)


def addresses(listening: Listening) -> list[str]:
    """Under which other devices reach the station; the first also this machine itself."""
    hosts = [listening.host]
    if listening.host in ("0.0.0.0", "::"):
        hosts = sorted(own_addresses(), key=lambda host: (":" in host, host)) or ["127.0.0.1"]
    return [
        f"{listening.scheme}://{'[' + host + ']' if ':' in host else host}:{listening.port}"
        for host in hosts
    ]


def free_port(host: str) -> int:
    """The first port of ours that nobody listens on."""
    for port in range(FIRST_PORT, LAST_PORT + 1):
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        with socket.socket(family, socket.SOCK_STREAM) as trial:
            trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                trial.bind((host, port))
            except OSError:
                continue
            return port
    raise NoPort(f"ports {FIRST_PORT} to {LAST_PORT} on {host} are all taken; name one with --port")
