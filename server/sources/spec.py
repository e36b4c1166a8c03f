"""What the plan says of a source, and what a source says of itself."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Literal

from decoders.readings import FieldOrder, GpsdRules, JsonNames, NmeaRules, Reading
from decoders.reports import AltitudeDatum
from server.sources.table import KINDS, TABLE, Kind, Transport

StateName = Literal["connecting", "open", "quiet", "failed", "waiting", "off"]


_WITH_ADDRESS = ("tcp", "udp", "mqtt")
_MQTT_TLS_PORT = 8883  # registered for MQTT over TLS
# options of single kinds, with the value that means that the plan does not say them
_OPTIONS: dict[str, object] = {
    "kiss_on": (),
    "without_checksum": False,
    "fields": (),
    "altitude_above": "msl",
    "names": None,
    "token": None,
    "topic": None,
    "user": None,
    "password": None,
    "tls": False,
    "ca_file": None,
}
_CALLSIGN = re.compile(r"[A-Za-z0-9]{3,9}(?:-[A-Za-z0-9]{1,2})?")


@dataclass(frozen=True, slots=True)
class SourceSpec:
    """One source of the plan. ValueError, with words for the plan's writer, for what cannot be.

    `host` is the address to call, and for datagrams the own address to listen on. `enabled` left
    None means yes, but for aprs-is: the internet is used only where the plan says so.
    """

    name: str
    kind: Kind
    host: str | None = None
    port: int | None = None
    device: str | None = None  # of a serial line; for gpsd-tcp the one of several receivers
    baud: int | None = None
    callsign: str | None = None  # aprs-is login
    passcode: int | None = None  # aprs-is; None: reading only
    filter: str | None = None  # aprs-is, e.g. "r/46.8/-100.8/300"
    quiet_after_s: float = 120.0
    enabled: bool | None = None
    kiss_on: tuple[str, ...] = ()  # commands that put a hardware TNC into KISS mode
    without_checksum: bool = False  # nmea
    fields: tuple[str, ...] = ()  # of a sentence, by name and in order
    altitude_above: AltitudeDatum = "msl"  # the altitude among the fields
    names: JsonNames | None = None  # of what a JSON object tells
    token: str | None = None  # json-http
    topic: str | None = None  # json-mqtt, and so the following
    user: str | None = None
    password: str | None = None
    tls: bool = False
    ca_file: str | None = None

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
        if transport in _WITH_ADDRESS and self.address[0] is None:
            raise ValueError(f"source {self.name} ({self.kind}) needs a host")
        if transport in _WITH_ADDRESS and not 1 <= (self.address[1] or 0) <= 65535:
            raise ValueError(f"source {self.name} ({self.kind}) needs a port from 1 to 65535")
        if transport == "serial" and self.device is None:
            raise ValueError(f"source {self.name} ({self.kind}) needs a device, as /dev/ttyUSB0")
        if transport == "serial" and self.baud_rate <= 0:
            raise ValueError(f"source {self.name}: baud must be above 0")
        if self.kind == "aprs-is" and not _CALLSIGN.fullmatch(self.callsign or ""):
            raise ValueError(f"source {self.name} (aprs-is) needs your callsign for the login")
        self._check_options()

    def _check_options(self) -> None:
        row = TABLE[self.kind]
        for option, unset in _OPTIONS.items():
            if getattr(self, option) != unset and option not in row.options:
                kinds = ", ".join(kind for kind in KINDS if option in TABLE[kind].options)
                raise ValueError(f"source {self.name}: {option} is for {kinds}, not {self.kind}")
        for command in self.kiss_on:
            if not re.fullmatch(r"[ -~]{1,80}", command):
                raise ValueError(
                    f"source {self.name}: kiss_on {command!r} is no line of a terminal"
                )
        for needed in ("fields", "names", "token", "topic"):
            if needed in row.options and not getattr(self, needed):
                raise ValueError(f"source {self.name} ({self.kind}) needs {needed}")
        try:
            self.reading  # noqa: B018  its making is the check
        except ValueError as error:
            raise ValueError(f"source {self.name}: {error}") from error

    @property
    def reading(self) -> Reading | None:
        """How its receptions are to be read, where the wire alone does not tell."""
        if self.fields:
            return FieldOrder(self.fields, self.altitude_above)
        if self.kind == "gpsd-tcp" and self.device is not None:
            return GpsdRules(self.device)
        if self.without_checksum:
            return NmeaRules()
        return self.names

    @property
    def transport(self) -> Transport:
        return TABLE[self.kind].transport

    @property
    def address(self) -> tuple[str | None, int | None]:
        """Host and port, with the defaults of the kind."""
        row = TABLE[self.kind]
        port = _MQTT_TLS_PORT if self.tls else row.port
        return self.host or row.host, port if self.port is None else self.port

    @property
    def baud_rate(self) -> int:
        return TABLE[self.kind].baud if self.baud is None else self.baud

    @property
    def place(self) -> str:
        """Where the source is, for people."""
        if self.transport == "serial":
            return f"{self.device} at {self.baud_rate} baud"
        if self.transport == "http":
            return "this program's own web address"
        topic = f" {self.topic}" if self.transport == "mqtt" else ""
        host, port = self.address
        return (f"[{host}]:{port}" if host and ":" in host else f"{host}:{port}") + topic


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
