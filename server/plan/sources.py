"""What the plan says of sources: where they are, and how what they hear is to be read."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, model_validator

from decoders.readings import MAX_FIELDS, MAX_NAME_CHARACTERS, JsonNames
from server.plan.network import Token
from server.plan.section import Section
from server.sources.spec import SourceSpec
from server.sources.table import Kind


def _printable(name: str) -> str:
    if not name.isprintable() or name != name.strip():
        raise ValueError("a name that prints, without blanks at its ends, was expected")
    return name


# / sets a station's name apart
SourceName = Annotated[str, Field(pattern=r"^[^\s/]+(/[^\s/]+)?$", max_length=81)]
# any name that a wire carries: a callsign, an object's name, what a device calls itself
HeardName = Annotated[
    str, Field(min_length=1, max_length=MAX_NAME_CHARACTERS), AfterValidator(_printable)
]
JsonPath = Annotated[str, Field(min_length=1, max_length=200)]  # dotted


class NamesSection(Section):
    """Where a JSON object has what: dotted paths, as in "decoded.gps.0.lat"."""

    latitude_deg: JsonPath
    longitude_deg: JsonPath
    altitude_m: JsonPath | None = None
    altitude_ft: JsonPath | None = None
    altitude_above: Literal["msl", "ellipsoid"] = "msl"
    time: JsonPath | None = None  # ISO 8601
    time_epoch_s: JsonPath | None = None
    time_epoch_ms: JsonPath | None = None
    callsign: JsonPath | None = None
    speed_ms: JsonPath | None = None
    course_deg: JsonPath | None = None
    climb_ms: JsonPath | None = None
    battery_percent: JsonPath | None = None
    satellites: JsonPath | None = None
    # quantity -> path and unit
    sensors: Annotated[
        dict[Annotated[str, Field(min_length=1, max_length=40)], tuple[JsonPath, str]],
        Field(max_length=MAX_FIELDS),
    ] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _usable(self) -> NamesSection:
        self.names()
        return self

    def names(self) -> JsonNames:
        return JsonNames(**self.model_dump())


class SourceSection(Section):
    name: SourceName
    kind: Kind
    enabled: bool | None = None  # by default on, but for aprs-is, which needs the internet
    host: Annotated[str, Field(max_length=253)] | None = None
    port: Annotated[int, Field(ge=1, le=65_535)] | None = None
    device: Annotated[str, Field(max_length=500)] | None = None
    baud: Annotated[int, Field(ge=300, le=4_000_000)] | None = None
    callsign: Annotated[str, Field(max_length=12)] | None = None
    passcode: Annotated[int, Field(ge=-1, le=32_767)] | None = None
    filter: Annotated[str, Field(max_length=500)] | None = None
    quiet_after_s: Annotated[float, Field(gt=0)] = 120.0
    kiss_on: Annotated[tuple[str, ...], Field(max_length=8)] = ()
    without_checksum: bool = False
    fields: Annotated[tuple[str, ...], Field(max_length=MAX_FIELDS)] = ()
    altitude_above: Literal["msl", "ellipsoid"] = "msl"
    names: NamesSection | None = None
    token: Token | None = None
    # a topic of MQTT with or without its wildcards
    topic: Annotated[str, Field(min_length=1, max_length=200, pattern=r"^[^\s\x00$]+$")] | None = (
        None
    )
    user: Annotated[str, Field(max_length=200)] | None = None
    password: Annotated[str, Field(max_length=500)] | None = None
    tls: bool = False
    ca_file: Annotated[str, Field(max_length=500)] | None = None  # taken from the plan's folder

    @model_validator(mode="after")
    def _usable(self) -> SourceSection:
        self.spec()
        return self

    def spec(self, folder: Path = Path()) -> SourceSpec:
        """What the source is opened with; `folder` is the plan's."""
        told: dict[str, Any] = self.model_dump(exclude={"names"})
        if self.ca_file is not None:
            told["ca_file"] = str(folder / self.ca_file)
        return SourceSpec(**told, names=None if self.names is None else self.names.names())
