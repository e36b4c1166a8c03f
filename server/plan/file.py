"""The plan file: TOML in, checked values out, and an error that names the line otherwise."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, ValidationError, model_validator

from decoders.readings import Reading
from server.flight.inputs import AvoidArea, Plan, VehiclePlan
from server.flight.packets.names import heard_as
from server.plan.balloon import BalloonSection, DescentSection
from server.plan.errors import explain
from server.plan.flights import (
    AlarmSection,
    FlightSection,
    LaunchSection,
    OneFlight,
    Text,
    TrackerSection,
)
from server.plan.geodata import (
    AvoidSection,
    BasemapSection,
    ForecastSection,
    RoadsSection,
    TerrainSection,
    WindsSection,
)
from server.plan.network import AccessSection, MqttSection, PeerSection, StationSection
from server.plan.outlook import ContactSection, LimitsSection, PlaceSection, SiteSection
from server.plan.pack import PackSection
from server.plan.section import Section
from server.plan.sources import HeardName, SourceName, SourceSection
from server.sources.spec import SourceSpec


class PlanError(ValueError):
    """The plan cannot be used; the message names file, line, key, what was wanted and found."""


class VehicleSection(Section):
    name: Text
    callsign: HeardName | None = None
    source: SourceName | None = None
    own: bool = False
    flight: Text | None = None  # whose landing it drives to; None: any
    road_speed_ms: Annotated[float, Field(gt=0.5, le=60)] = 18.0
    road_factor: Annotated[float, Field(ge=1, le=5)] = 1.35


class ScreenSection(Section):
    units: Literal["metric", "aviation"] = "metric"


class PlanFile(Section):
    """A whole plan file, checked. `planned` gives its flights, whichever way they are written."""

    flight: FlightSection | None = None
    launch: LaunchSection | None = None
    balloon: BalloonSection | None = None
    descent: DescentSection | None = None
    trackers: Annotated[tuple[TrackerSection, ...], Field(max_length=20)] = ()
    flights: Annotated[tuple[OneFlight, ...], Field(max_length=20)] = ()
    sources: tuple[SourceSection, ...] = ()
    vehicles: tuple[VehicleSection, ...] = ()
    alarms: AlarmSection = AlarmSection()
    screen: ScreenSection = ScreenSection()
    basemap: BasemapSection = BasemapSection()
    terrain: TerrainSection | None = None
    roads: RoadsSection | None = None
    avoid: AvoidSection | None = None
    forecast: ForecastSection | None = None
    winds: WindsSection | None = None
    station: StationSection | None = None
    peers: Annotated[tuple[PeerSection, ...], Field(max_length=20)] = ()
    mqtt: MqttSection | None = None
    access: AccessSection = AccessSection()
    sites: Annotated[tuple[SiteSection, ...], Field(max_length=20)] = ()
    limits: LimitsSection = LimitsSection()
    places: Annotated[tuple[PlaceSection, ...], Field(max_length=20)] = ()
    contact: ContactSection = ContactSection()
    pack: PackSection = PackSection()

    @model_validator(mode="after")
    def _consistent(self) -> PlanFile:
        self._one_or_several()
        _unique("flight", [f.name for f in self.planned])
        _unique("site", [s.name for s in self.sites])
        _unique("source", [s.name for s in self.sources])
        _unique("vehicle", [v.name for v in self.vehicles])
        trackers = self.all_trackers
        identities = [t.source for t in trackers if t.source is not None]
        identities += [heard_as(t.callsign) for t in trackers if t.callsign is not None]
        _unique("callsign or source of trackers", identities)
        for flight in self.planned:
            _unique(f"tracker of {flight.name!r}", [t.name for t in flight.trackers])
        for vehicle in self.vehicles:
            heard = vehicle.callsign and heard_as(vehicle.callsign)
            if shared := {heard, vehicle.source} & set(identities):
                raise ValueError(f"{vehicle.name!r}: {shared.pop()!r} is a tracker's, not a car's")
        _unique("peer", [p.name for p in self.peers])
        if self.station is None and (self.peers or self.mqtt is not None):
            raise ValueError("peers and mqtt need [station] with this laptop's name")
        if self.station is not None and self.station.name in [p.name for p in self.peers]:
            raise ValueError(f"peer {self.station.name!r} is this station itself")
        for vehicle in self.vehicles:
            if vehicle.flight not in (None, *(f.name for f in self.planned)):
                raise ValueError(f"{vehicle.name!r}: no flight is named {vehicle.flight!r}")
        for source in self.sources:
            self._check_station_of(source)
        sources = {s.name for s in self.sources}
        parts: tuple[TrackerSection | VehicleSection, ...] = (*trackers, *self.vehicles)
        for part in parts:
            if part.source is None or (self.station is not None and self._elsewhere(part.source)):
                continue
            if part.source.partition("@")[0] not in sources:  # behind it: one of its receivers
                known = ", ".join(sorted(sources)) or "none"
                raise ValueError(
                    f"{part.name!r}: no source is named {part.source!r} (there: {known})"
                )
        return self

    def _one_or_several(self) -> None:
        if not self.flights:
            if self.flight is None:
                raise ValueError("[flight] with a name is missing (or [[flights]], for several)")
            if not self.trackers:
                raise ValueError("[[trackers]] are missing: without them nothing can be followed")
            self.planned[0].for_flight(self.alarms, self._full)
            return
        for name in ("flight", "launch", "balloon", "descent", "trackers"):
            if getattr(self, name):
                raise ValueError(
                    f"[{name}] stands beside [[flights]]: each flight has its own, "
                    f"as [flights.{name}]" + (" or [[flights.trackers]]" * (name == "trackers"))
                )

    @property
    def planned(self) -> tuple[OneFlight, ...]:
        """The flights, at least one."""
        if self.flights or self.flight is None:
            return self.flights
        one = OneFlight.model_construct(
            name=self.flight.name,
            launch=self.launch,
            balloon=self.balloon or BalloonSection(),
            descent=self.descent or DescentSection(),
            trackers=self.trackers,
            alarms=None,
        )
        return (one,)

    @property
    def name(self) -> str:
        """Of the mission: its flights' names."""
        return ", ".join(flight.name for flight in self.planned)

    @property
    def all_trackers(self) -> tuple[TrackerSection, ...]:
        """Of all flights."""
        return tuple(tracker for flight in self.planned for tracker in flight.trackers)

    @property
    def launches(self) -> tuple[LaunchSection, ...]:
        """Those that the plan tells."""
        return tuple(flight.launch for flight in self.planned if flight.launch is not None)

    @property
    def launch_s(self) -> float | None:
        """The first planned launch, UTC seconds; None where none has a time."""
        times = [launch.time_s for launch in self.launches]
        return min((time_s for time_s in times if time_s is not None), default=None)

    def _check_station_of(self, source: SourceSection) -> None:
        """A source named "car-2/lora" is another station's, and says how to read what it heard."""
        station, slash, _ = source.name.partition("/")
        if not slash:
            return
        if self.station is None or station == self.station.name:
            raise ValueError(f"source {source.name!r}: / is for the sources of other stations")
        if source.spec().reading is None:
            raise ValueError(f"source {source.name!r} of another station needs fields or names")

    def _elsewhere(self, source: str) -> bool:
        """A phone may report to any station, and "car-2/gps" is a source of another."""
        phones = {t.source for t in self.all_trackers if t.role == "phone"}
        return "/" in source or source in phones

    def _full(self, source: str | None) -> str | None:
        """The source's name among several stations. A phone's belongs to none of them."""
        kinds = {s.name: s.kind for s in self.sources}
        if self.station is None or source is None or "/" in source:
            return source
        return source if kinds.get(source, "phone") == "phone" else f"{self.station.name}/{source}"

    def for_flight(self, avoid: tuple[AvoidArea, ...] = ()) -> Plan:
        """What the flight is computed with; `avoid` as read from the plan's files of areas."""
        return Plan(
            flights=tuple(one.for_flight(self.alarms, self._full) for one in self.planned),
            vehicles=tuple(
                VehiclePlan(
                    **(v.model_dump() | {"source": self._full(v.source), "flight": v.flight or ""})
                )
                for v in self.vehicles
            ),
            avoid=avoid,
            station="" if self.station is None else self.station.name,
            readings=self._readings(),
        )

    def _readings(self) -> dict[str, Reading]:
        """How sources are to be read, by their full names."""
        specs = [source.spec() for source in self.sources]
        found = {spec.name: spec.reading for spec in specs}
        return {self._full(n) or n: reading for n, reading in found.items() if reading is not None}

    def source_specs(self, folder: Path = Path()) -> tuple[SourceSpec, ...]:
        """What this station's sources are opened with; `folder` is the plan's."""
        return tuple(source.spec(folder) for source in self.sources if "/" not in source.name)

    def phone_tokens(self) -> dict[str, str]:
        """Beacon tokens and the source that each of them speaks for."""
        return {t.token: t.source for t in self.all_trackers if t.token and t.source}


def _unique(what: str, names: list[str]) -> None:
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise ValueError(f"{what} {', '.join(map(repr, twice))} is there twice")


def load(path: Path) -> PlanFile:
    """Read and check a plan file. PlanError says what is wrong and where."""
    try:
        text = path.read_text(encoding="utf-8-sig")  # some editors begin with a byte-order mark
    except (OSError, UnicodeDecodeError) as error:
        raise PlanError(f"{path}: cannot be read: {error}") from error
    return parse(text, str(path))


def parse(text: str, name: str = "plan") -> PlanFile:
    """The same from text."""
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # also what tomllib does not name as its own
        raise PlanError(f"{name}: not TOML: {error}") from error
    try:
        return PlanFile.model_validate(data)
    except ValidationError as error:
        raise PlanError("\n".join(explain(error, PlanFile, text, name))) from error
