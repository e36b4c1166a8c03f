"""What the plan says of a source, and what a source says of itself."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Literal, get_args

Kind = Literal[
    "kiss-tcp",
    "kiss-serial",
    "aprs-is",
    "tnc2-tcp",
    "nmea-serial",
    "nmea-tcp",
    "nmea-udp",
    "gpsd-tcp",
    "phone",
]
KINDS: tuple[Kind, ...] = get_args(Kind)
Transport = Literal["tcp", "serial", "udp", "http"]
StateName = Literal["connecting", "open", "quiet", "failed", "waiting", "off"]


@dataclass(frozen=True, slots=True)
class Defaults:
    """What a kind takes where the plan is silent; None must be told by the plan."""

    transport: Transport
    host: str | None = None
    port: int | None = None
    baud: int = 9600


DEFAULTS: dict[Kind, Defaults] = {
    "kiss-tcp": Defaults("tcp", "127.0.0.1", 8001),  # common practice, no source
    "kiss-serial": Defaults("serial"),
    "aprs-is": Defaults("tcp", None, 14580),  # the port of feeds with a filter
    "tnc2-tcp": Defaults("tcp"),
    "nmea-serial": Defaults("serial", baud=4800),  # NMEA 0183
    "nmea-tcp": Defaults("tcp", None, 10110),  # registered for NMEA 0183
    "nmea-udp": Defaults("udp", "127.0.0.1", 10110),
    "gpsd-tcp": Defaults("tcp", "127.0.0.1", 2947),  # registered for gpsd
    "phone": Defaults("http"),
}
_CALLSIGN = re.compile(r"[A-Za-z0-9]{3,9}(?:-[A-Za-z0-9]{1,2})?")


@dataclass(frozen=True, slots=True)
class SourceSpec:
    """One source of the plan. ValueError, with words for the plan's writer, for what cannot be.

    `host` is the address to call, and for nmea-udp the own address to listen on. `enabled` left
    None means yes, but for aprs-is: the internet is used only where the plan says so.
    """

    name: str
    kind: Kind
    host: str | None = None
    port: int | None = None
    device: str | None = None
    baud: int | None = None
    callsign: str | None = None  # aprs-is login
    passcode: int | None = None  # aprs-is; None: reading only
    filter: str | None = None  # aprs-is, e.g. "r/46.8/-100.8/300"
    quiet_after_s: float = 120.0
    enabled: bool | None = None

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"kind {self.kind!r} is not one of {', '.join(KINDS)}")
        if not self.name or re.search(r"\s", self.name):
            raise ValueError(f"name {self.name!r} must have letters and no white space")
        if self.enabled is None:
            object.__setattr__(self, "enabled", self.kind != "aprs-is")
        for text in (self.host, self.device):
            if text is not None and (not text.strip() or not text.isprintable()):
                raise ValueError(f"source {self.name}: {text!r} is empty or does not print")
        if not (self.filter or "").isprintable():
            raise ValueError(f"source {self.name}: the filter has characters that do not print")
        if not self.quiet_after_s > 0.0:
            raise ValueError(f"source {self.name}: quiet_after_s must be above 0")
        if self.passcode is not None and not -1 <= self.passcode <= 32767:
            raise ValueError(f"source {self.name}: passcode is a number up to 32767")
        transport = self.transport
        if transport in ("tcp", "udp") and self.address[0] is None:
            raise ValueError(f"source {self.name} ({self.kind}) needs a host")
        if transport in ("tcp", "udp") and not 1 <= (self.address[1] or 0) <= 65535:
            raise ValueError(f"source {self.name} ({self.kind}) needs a port from 1 to 65535")
        if transport == "serial" and self.device is None:
            raise ValueError(f"source {self.name} ({self.kind}) needs a device, as /dev/ttyUSB0")
        if transport == "serial" and self.baud_rate <= 0:
            raise ValueError(f"source {self.name}: baud must be above 0")
        if self.kind == "aprs-is" and not _CALLSIGN.fullmatch(self.callsign or ""):
            raise ValueError(f"source {self.name} (aprs-is) needs your callsign for the login")

    @property
    def transport(self) -> Transport:
        return DEFAULTS[self.kind].transport

    @property
    def address(self) -> tuple[str | None, int | None]:
        """Host and port, with the defaults of the kind."""
        defaults = DEFAULTS[self.kind]
        return self.host or defaults.host, defaults.port if self.port is None else self.port

    @property
    def baud_rate(self) -> int:
        return DEFAULTS[self.kind].baud if self.baud is None else self.baud

    @property
    def place(self) -> str:
        """Where the source is, for people."""
        if self.transport == "serial":
            return f"{self.device} at {self.baud_rate} baud"
        if self.transport == "http":
            return "this program's own web address"
        host, port = self.address
        return f"[{host}]:{port}" if host and ":" in host else f"{host}:{port}"


@dataclass(frozen=True, slots=True)
class SourceState:
    """How a source is. `reason` says in words what is the matter and what to do."""

    name: str
    kind: Kind | Literal["peer", "mqtt"]
    state: StateName
    reason: str | None
    since_s: float  # when this state began; a failure lasts until the source is open again
    receptions: int = 0
    bytes: int = 0
    dropped: int = 0  # oversize or cut frames and lines, and datagrams that came too fast

    def become(self, state: StateName, reason: str | None, now_s: float) -> SourceState:
        """Another state or reason; the time of a state that lasts stays."""
        since_s = self.since_s if state == self.state else now_s
        return replace(self, state=state, reason=reason, since_s=since_s)


class SourceFault(Exception):
    """A source that does not open, or has ended; the message is for the crew."""
