"""Who reads the page: in which zone, in which units. `with reading(reader):` while a page is written.

The sentences are made ten calls deep; a context variable spares each of them a parameter that it only
passes on. Outside of such a block the reader is UTC and metric, as the terminal and the files for others.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import Literal, get_args
from zoneinfo import ZoneInfo

UnitsName = Literal["metric", "nautical", "us"]
UNITS: tuple[UnitsName, ...] = get_args(UnitsName)
# exact by definition (NIST SP 811); the nautical mile by the International System of Units, 9th edition
_FOOT_M, _MILE_M, _NAUTICAL_MILE_M = 0.3048, 1_609.344, 1_852.0


@dataclass(frozen=True)
class Scale:
    """A unit and how many of the SI unit it is."""

    unit: str
    si: float

    def of(self, value: float) -> float:
        return value / self.si


@dataclass(frozen=True)
class System:
    """What a quantity is written in; `long` from `long_from_m` on, in `height` below."""

    height: Scale
    long: Scale
    climb: Scale
    speed: Scale
    long_from_m: float
    fahrenheit: bool = False


_FEET = Scale("ft", _FOOT_M)
_FEET_A_MINUTE = Scale("ft/min", _FOOT_M / 60.0)
SYSTEMS: dict[UnitsName, System] = {
    "metric": System(
        Scale("m", 1.0), Scale("km", 1_000.0), Scale("m/s", 1.0), Scale("m/s", 1.0), 1_000.0
    ),
    "nautical": System(
        _FEET,
        Scale("NM", _NAUTICAL_MILE_M),
        _FEET_A_MINUTE,
        Scale("kt", _NAUTICAL_MILE_M / 3_600.0),
        0.2 * _NAUTICAL_MILE_M,
    ),
    "us": System(
        _FEET,
        Scale("mi", _MILE_M),
        _FEET_A_MINUTE,
        Scale("mph", _MILE_M / 3_600.0),
        0.2 * _MILE_M,
        fahrenheit=True,
    ),
}


@dataclass(frozen=True)
class Reader:
    """`zone` None: that of this computer."""

    zone: tzinfo | None = UTC
    units: UnitsName = "metric"

    @property
    def system(self) -> System:
        return SYSTEMS[self.units]

    def local(self, time_s: float) -> datetime:
        """Of the zone, with its offset at that time."""
        return datetime.fromtimestamp(time_s, UTC).astimezone(self.zone)

    def zone_name(self, time_s: float) -> str:
        """`CDT`, or `UTC+05:30` where the zone has no letters."""
        name = self.local(time_s).tzname() or ""
        return name if name.isalpha() else f"UTC{self.offset(time_s)}"

    def offset(self, time_s: float) -> str:
        """From UTC, as `-05:00`."""
        text = f"{self.local(time_s):%z}"
        return f"{text[:3]}:{text[3:5]}"


_READER: ContextVar[Reader | None] = ContextVar("reader", default=None)
_NOBODY = Reader()


def reader() -> Reader:
    return _READER.get() or _NOBODY


@contextmanager
def reading(who: Reader) -> Iterator[None]:
    """What is written meanwhile is for this reader."""
    token = _READER.set(who)
    try:
        yield
    finally:
        _READER.reset(token)


def temperature_scale() -> tuple[Callable[[float], float], str]:
    """From degrees Celsius to what the reader reads, and its unit."""
    if reader().system.fahrenheit:
        return lambda celsius: celsius * 1.8 + 32.0, "°F"
    return lambda celsius: celsius, "°C"


def zone_named(name: str) -> tzinfo | None:
    """By its name in the IANA database; "" is that of this computer. ValueError: there is none."""
    if name == "":
        return None
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError) as error:
        raise ValueError(f"{name[:40]!r} is no time zone, as Europe/Berlin or UTC is") from error
