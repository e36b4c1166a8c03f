"""The messages between screen and browser.

Units as in `wire_state`. Production serialises without checking each message: the tests check that
what is sent fits these models.
"""

from __future__ import annotations

from typing import Annotated, Generic, Literal, TypeVar

from pydantic import Field, TypeAdapter, create_model

from server.screen.state_schema import Count, Latitude, Longitude, Message, Phase, State, Time

# What an update may carry: any of the sections of State, each whole.
StateChange = create_model(
    "StateChange",
    __base__=Message,
    **{name: (info.annotation, None) for name, info in State.model_fields.items()},  # type: ignore[call-overload]
)

Row = TypeVar("Row")
TrackRow = tuple[float, Latitude, Longitude, float | None, float | None, float | None, Phase]
FixRow = tuple[float, Latitude, Longitude, float | None, bool, str | None]
VehicleRow = tuple[float, Latitude, Longitude]
SensorRow = tuple[float, float | None]


class SensorHistory(Message):
    unit: str
    points: list[SensorRow]


class WholeHistory(Message):
    track: list[TrackRow]
    fixes: dict[str, list[FixRow]]
    vehicles: dict[str, list[VehicleRow]]
    sensors: dict[str, SensorHistory]


class Splice(Message, Generic[Row]):
    """Keep the first `from` points, then put these."""

    kept: Count = Field(alias="from")
    points: list[Row]


class SensorSplice(Splice[SensorRow]):
    unit: str


class HistoryChange(Message):
    """A name left out did not change; a series cut to nothing has `from` 0 and no points."""

    track: Splice[TrackRow] | None = None
    fixes: dict[str, Splice[FixRow]] = Field(default_factory=dict)
    vehicles: dict[str, Splice[VehicleRow]] = Field(default_factory=dict)
    sensors: dict[str, SensorSplice] = Field(default_factory=dict)


class Snapshot(Message):
    kind: Literal["snapshot"]
    session: str
    sequence: Count
    state: State
    history: WholeHistory


class Update(Message):
    kind: Literal["update"]
    session: str
    sequence: Count
    state: StateChange  # type: ignore[valid-type]
    history: HistoryChange


class Beat(Message):
    """Nothing changed; `sequence` is the last one sent, so a gap is noticed here too."""

    kind: Literal["beat"]
    session: str
    sequence: Count
    now: Time


FromServer = TypeAdapter(Annotated[Snapshot | Update | Beat, Field(discriminator="kind")])


class Resume(Message):
    """The browser's first message: the last update it has, or nulls for none."""

    kind: Literal["resume"]
    session: Annotated[str, Field(max_length=64)] | None = None
    sequence: Count | None = None


class Acknowledge(Message):
    id: Annotated[str, Field(min_length=1, max_length=200)]


class PlaceVehicle(Message):
    name: Annotated[str, Field(min_length=1, max_length=100)]
    latitude_deg: Latitude
    longitude_deg: Longitude


class SayPhase(Message):
    said: Literal["not launched", "launched", "landed", "withdrawn"]


class Control(Message):
    action: Literal["play", "pause", "speed", "seek"]
    value: float | str | None = None


class Enter(Message):
    key: Annotated[str, Field(min_length=1, max_length=300)]
