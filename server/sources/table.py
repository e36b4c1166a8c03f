"""The table of sources: one row a kind, with transport, wire, framing, greeting and defaults."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Literal

from decoders import agw
from decoders.kiss import FEND
from decoders.reports import Wire
from decoders.wires import WIRES
from server.sources.framing import (
    AgwFramer,
    DatagramFramer,
    Framer,
    GpsdFramer,
    JsonLineFramer,
    KissFramer,
    LineFramer,
    MonitorFramer,
    Tnc2Framer,
    WholeFramer,
)

if TYPE_CHECKING:
    from server.sources.spec import SourceSpec

Transport = Literal["tcp", "serial", "udp", "mqtt", "http"]
READING_ONLY = -1  # the passcode that asks for no right to send
LOCAL = "127.0.0.1"


def _silence(_: SourceSpec) -> bytes:
    return b""


def _login(spec: SourceSpec) -> bytes:
    """APRS-IS login with the server-side filter."""
    passcode = READING_ONLY if spec.passcode is None else spec.passcode
    line = f"user {(spec.callsign or '').upper()} pass {passcode} vers leeward {_version()}"
    if spec.filter:
        line += f" filter {spec.filter}"
    return line.encode("utf-8") + b"\r\n"


def _watch(_: SourceSpec) -> bytes:
    """gpsd_json(5): from now on report in JSON."""
    return b'?WATCH={"enable":true,"json":true}\n'


def _ask_agw(_: SourceSpec) -> bytes:
    """Its version, raw frames, and monitored ones, for servers that have no raw ones."""
    return agw.encode_frame("R") + agw.encode_frame("k") + agw.encode_frame("m")


def _version() -> str:
    try:
        return version("leeward")
    except PackageNotFoundError:  # run from a folder without being installed
        return "0"


@dataclass(frozen=True, slots=True)
class Row:
    """What a kind is made of, and what it takes where the plan is silent; None must be told.

    `options` are keys of the plan that belong to this kind and to no other without them.
    """

    transport: Transport
    wire: Wire
    framer: Callable[[], Framer]
    greeting: Callable[[SourceSpec], bytes] = _silence  # what is sent once the transport is open
    host: str | None = None
    port: int | None = None
    baud: int = 9600
    options: tuple[str, ...] = ()


def _datagrams(framer: Callable[[], Framer], end: bytes = b"\n") -> Callable[[], Framer]:
    return partial(DatagramFramer, framer, end)


_FIELDS = ("fields", "altitude_above")
_MQTT = ("names", "topic", "user", "password", "tls", "ca_file")
TABLE: dict[str, Row] = {
    # 8001: common practice, no source
    "kiss-tcp": Row("tcp", "kiss", KissFramer, host=LOCAL, port=8001),
    "kiss-serial": Row("serial", "kiss", KissFramer, options=("kiss_on",)),
    "kiss-udp": Row("udp", "kiss", _datagrams(KissFramer, bytes([FEND])), host=LOCAL),
    # 8000: common practice, no source
    "agw-tcp": Row("tcp", "agw", AgwFramer, _ask_agw, host=LOCAL, port=8000),
    "aprs-is": Row("tcp", "tnc2", Tnc2Framer, _login, port=14580),  # the port of filtered feeds
    "tnc2-tcp": Row("tcp", "tnc2", MonitorFramer),
    "tnc2-serial": Row("serial", "tnc2", MonitorFramer),
    "tnc2-udp": Row("udp", "tnc2", _datagrams(MonitorFramer), host=LOCAL),
    # NMEA 0183's own rate; 10110 is registered for it
    "nmea-serial": Row("serial", "nmea", LineFramer, baud=4800, options=("without_checksum",)),
    "nmea-tcp": Row("tcp", "nmea", LineFramer, port=10110, options=("without_checksum",)),
    "nmea-udp": Row(
        "udp",
        "nmea",
        _datagrams(LineFramer),
        host=LOCAL,
        port=10110,
        options=("without_checksum",),
    ),
    "gpsd-tcp": Row("tcp", "gpsd", GpsdFramer, _watch, host=LOCAL, port=2947),  # registered for it
    "fields-tcp": Row("tcp", "fields", LineFramer, options=_FIELDS),
    "fields-serial": Row("serial", "fields", LineFramer, options=_FIELDS),
    "fields-udp": Row("udp", "fields", _datagrams(LineFramer), host=LOCAL, options=_FIELDS),
    "json-tcp": Row("tcp", "json", JsonLineFramer, options=("names",)),
    "json-udp": Row("udp", "json", WholeFramer, host=LOCAL, options=("names",)),
    "json-mqtt": Row("mqtt", "json", WholeFramer, host=LOCAL, port=1883, options=_MQTT),
    # bodies come whole from the web routes
    "json-http": Row("http", "json", WholeFramer, options=("names", "token")),
    "phone": Row("http", "phone", WholeFramer),
}
# further wires of text lines, over what carries lines; their port, where one is usual, stands in the plan
for _name, _wire in WIRES.items():
    if _wire.lines:
        TABLE[f"{_name}-tcp"] = Row("tcp", _name, LineFramer)
        TABLE[f"{_name}-serial"] = Row("serial", _name, LineFramer)
        TABLE[f"{_name}-udp"] = Row("udp", _name, _datagrams(LineFramer), host=LOCAL)
KINDS = tuple(TABLE)
if TYPE_CHECKING:
    Kind = str
else:
    Kind = Literal[KINDS]  # for whoever checks a plan
