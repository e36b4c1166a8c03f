"""The table of sources: kind -> framing, greeting and wire. The transport stands in
spec.DEFAULTS."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version

from decoders.reports import Wire

from .framing import Framer, GpsdFramer, KissFramer, LineFramer, Tnc2Framer
from .spec import Kind, SourceSpec

READING_ONLY = -1  # the passcode that asks for no right to send


@dataclass(frozen=True, slots=True)
class Parts:
    wire: Wire
    framer: Callable[[], Framer]
    greeting: Callable[[SourceSpec], bytes]  # what is sent once the transport is open


def _silence(spec: SourceSpec) -> bytes:
    return b""


def _login(spec: SourceSpec) -> bytes:
    """APRS-IS login with the server-side filter."""
    passcode = READING_ONLY if spec.passcode is None else spec.passcode
    line = f"user {(spec.callsign or '').upper()} pass {passcode} vers leeward {_version()}"
    if spec.filter:
        line += f" filter {spec.filter}"
    return line.encode("utf-8") + b"\r\n"


def _watch(spec: SourceSpec) -> bytes:
    """gpsd_json(5): from now on report in JSON."""
    return b'?WATCH={"enable":true,"json":true}\n'


def _version() -> str:
    try:
        return version("leeward")
    except PackageNotFoundError:  # run from a folder without being installed
        return "0"


TABLE: dict[Kind, Parts] = {
    "kiss-tcp": Parts("kiss", KissFramer, _silence),
    "kiss-serial": Parts("kiss", KissFramer, _silence),
    "aprs-is": Parts("tnc2", Tnc2Framer, _login),
    "tnc2-tcp": Parts("tnc2", Tnc2Framer, _silence),
    "nmea-serial": Parts("nmea", LineFramer, _silence),
    "nmea-tcp": Parts("nmea", LineFramer, _silence),
    "nmea-udp": Parts("nmea", LineFramer, _silence),
    "gpsd-tcp": Parts("gpsd", GpsdFramer, _watch),
    "phone": Parts("phone", LineFramer, _silence),  # bodies come whole from the web route
}
