"""The words that every decoder speaks and the flight listens to.

All times are UTC seconds since 1970-01-01T00:00:00Z. A report's `time_s` is the time that the
packet itself carries, resolved against the moment it was heard; None when it carries none.
Altitudes are metres above mean sea level unless `altitude_datum` says "ellipsoid" (WGS 84).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

AltitudeDatum = Literal["msl", "ellipsoid"]
Wire = str  # a name of the registry, `decoders.wires.WIRES`
EARLIEST_S, LATEST_S = 0.0, 4_102_444_800.0  # 1970 to 2100: times that a report may carry


class DecodeError(ValueError):
    """Input that is not what its wire promises. The message says what was expected and what
    came."""


@dataclass(frozen=True, slots=True)
class Transmission:
    """One packet as a station put it on the air, apart from who passed it on.

    `sender` and `information` identify the transmission: the same pair heard again through a
    digipeater, by a second receiver or from the internet is the same transmission.
    """

    sender: str  # callsign with SSID, upper case, e.g. "N0CALL-11"; SSID 0 is left out
    destination: str
    path: tuple[str, ...]  # via fields in order, "*" kept on the ones that have repeated it
    information: bytes
    # names of the header as they came that no standard allows; the packet is kept all the same
    odd_names: tuple[str, ...] = field(default=(), compare=False)

    @property
    def repeated_by(self) -> tuple[str, ...]:
        """Digipeaters that have repeated this copy, in order; empty when it was heard directly.

        Everything up to and including the last "*" has repeated; q-constructs and what follows
        them belong to the internet feed, not to the air.
        """
        on_air = self._on_air()
        last = max((i for i, via in enumerate(on_air) if via.endswith("*")), default=-1)
        return tuple(via.rstrip("*") for via in on_air[: last + 1])

    @property
    def fed_by(self) -> str | None:
        """Callsign of the station that passed this copy to the internet; None when heard by
        radio."""
        for i, via in enumerate(self.path):
            if _is_q_construct(via):
                return self.path[i + 1] if i + 1 < len(self.path) else None
        return None

    def _on_air(self) -> tuple[str, ...]:
        for i, via in enumerate(self.path):
            if _is_q_construct(via):
                return self.path[:i]
        return self.path


def _is_q_construct(via: str) -> bool:
    return len(via) == 3 and via.startswith("qA")


@dataclass(frozen=True, slots=True)
class PositionReport:
    """One statement of a tracker, vehicle, station or object about where it is."""

    name: str  # callsign with SSID, object name, or the source's name for NMEA, gpsd and phone
    latitude_deg: float
    longitude_deg: float
    time_s: float | None = None
    altitude_m: float | None = None
    altitude_datum: AltitudeDatum = "msl"
    course_deg: float | None = None  # 0 to 360, true north
    speed_ms: float | None = None  # over ground
    climb_ms: float | None = None  # up is positive
    sigma_h_m: float | None = None  # 1 sigma that the receiver states itself
    sigma_v_m: float | None = None
    resolution_h_m: float = 0.0  # size of one step of the format, north-south
    resolution_v_m: float = 0.0
    ambiguity_digits: int = 0  # digits of the minutes that the sender left blank (APRS), 0 to 4
    valid: bool = True  # False: the receiver says it has no fix (NMEA quality 0, RMC status V)
    object_of: str | None = None  # callsign that reported this object or item
    symbol: str = ""  # APRS symbol table and code, two characters
    comment: str = ""
    battery_percent: float | None = None
    satellites: float | None = None  # that the receiver uses


@dataclass(frozen=True, slots=True)
class SensorReport:
    """Measured values. `values` are in the units of `units`, or raw counts where there is no unit.

    Telemetry that a SensorScale turns into units carries `channels` (raw) and stays unscaled here:
    the scale may be heard later than the values.
    """

    name: str
    values: Mapping[str, float] = field(default_factory=dict)  # quantity -> value
    units: Mapping[str, str] = field(default_factory=dict)  # quantity -> unit, e.g. "degC"
    channels: tuple[float | None, ...] = ()  # analog 1 to 5, raw; None: not sent
    bits: tuple[bool, ...] = ()  # digital 1 to 8
    sequence: int | None = None
    time_s: float | None = None


@dataclass(frozen=True, slots=True)
class SensorScale:
    """One PARM, UNIT, EQNS or BITS message: names, units or coefficients of a tracker's
    telemetry."""

    name: str  # the tracker that it speaks of
    kind: Literal["PARM", "UNIT", "EQNS", "BITS"]
    texts: tuple[str, ...] = ()  # PARM, UNIT; for BITS: the project title
    coefficients: tuple[tuple[float, float, float], ...] = ()  # EQNS: a, b, c of a*x^2 + b*x + c
    sense: tuple[bool, ...] = ()  # BITS: the state of each bit that means "on"


@dataclass(frozen=True, slots=True)
class StatusReport:
    """Free words of a station: APRS status, messages, gpsd and server remarks."""

    name: str
    text: str
    time_s: float | None = None


@dataclass(frozen=True, slots=True)
class _Note:
    """Written down by the crew while it searches. `name`: who; `flight`: "" the first."""

    name: str
    id: str
    time_s: float
    flight: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class BearingReport(_Note):
    """The direction from which a signal was heard, degrees of true north."""

    latitude_deg: float
    longitude_deg: float
    bearing_deg: float
    sureness: Literal["sharp", "broad", "ahead"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchedReport(_Note):
    """Ground that was looked over: a line of latitudes and longitudes with a width of sight, or within it."""

    path: tuple[tuple[float, float], ...]
    closed: bool
    width_m: float
    ground: Literal["open", "crops", "wood"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundReport(_Note):
    """The box lies there. `photo`: SHA-256 of the picture that the station keeps."""

    latitude_deg: float
    longitude_deg: float
    note: str = ""
    photo: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ClaimReport(_Note):
    """Somebody goes there, or (`can` False) cannot."""

    can: bool
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CallOffReport(_Note):
    """Takes the note of that id back."""

    of: str


NoteReport = BearingReport | SearchedReport | FoundReport | ClaimReport | CallOffReport
Report = PositionReport | SensorReport | SensorScale | StatusReport | NoteReport


@dataclass(frozen=True, slots=True)
class Decoding:
    """All that one reception says. `problem` is set when it could not be read (or not wholly)."""

    transmission: Transmission | None = None
    reports: tuple[Report, ...] = ()
    problem: str | None = None
    device: str = ""  # gpsd: path of the receiver that says it
