"""The messages between screen and browser.

Units as in the state. Production serialises without checking each message: the tests check that
what is sent fits these models.
"""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Generic, Literal, TypeVar, get_type_hints

from pydantic import BaseModel, ConfigDict, Field, create_model, field_validator

from server.flight.mission_state import Sender, State
from server.flight.state import FlightState, Phase
from server.flight.tracker_state import Rejection

Latitude = Annotated[float, Field(ge=-90, le=90)]
Longitude = Annotated[float, Field(ge=-180, le=180)]
Count = Annotated[int, Field(ge=0)]


class Message(BaseModel):
    # built where one is first used: what is sent is not checked, and a start need not wait for it
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False, defer_build=True)


def _any_of(name: str, whole: type, **instead: Any) -> type[Message]:
    """A message with any of the sections of `whole`, each whole."""
    sections: dict[str, Any] = {key: (told, None) for key, told in get_type_hints(whole).items()}
    sections |= {key: (told, None) for key, told in instead.items()}
    return create_model(name, __base__=Message, **sections)


class SendersChange(Message):
    """Of hundreds of others on the channel, those that changed; a name in `gone` is shown no more."""

    changed: list[Sender]
    gone: list[str]


FlightChange = _any_of("FlightChange", FlightState)
StateChange = _any_of(
    "StateChange",
    State,
    flights=list[FlightChange],  # type: ignore[valid-type]
    senders=SendersChange,
)

Row = TypeVar("Row")
TrackRow = tuple[float, Latitude, Longitude, float | None, float | None, float | None, Phase]
FixRow = tuple[float, Latitude, Longitude, float | None, bool, Rejection | None]
VehicleRow = tuple[float, Latitude, Longitude]
SensorRow = tuple[float, float | None]


class SensorHistory(Message):
    unit: str
    points: list[SensorRow]


class WholeHistory(Message):
    tracks: dict[str, list[TrackRow]]  # by flight
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

    tracks: dict[str, Splice[TrackRow]] = Field(default_factory=dict)
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
    now: datetime


class Resume(Message):
    """The browser's first message: the last update it has, or nulls for none."""

    kind: Literal["resume"]
    session: Annotated[str, Field(max_length=64)] | None = None
    sequence: Count | None = None


class Acknowledge(Message):
    """An alarm was seen; with `recall`, it was not after all."""

    id: Annotated[str, Field(min_length=1, max_length=200)]
    recall: bool = False
    by: Annotated[str, Field(max_length=40)] = ""  # who, if they said their name to the device

    @field_validator("id", "by")
    @classmethod
    def one_line(cls, text: str) -> str:
        """Whatever is no letter of a line is left out."""
        return " ".join("".join(c if c.isprintable() else " " for c in text).split())


class PlaceVehicle(Message):
    name: Annotated[str, Field(min_length=1, max_length=100)]
    latitude_deg: Latitude
    longitude_deg: Longitude


FlightName = Annotated[str, Field(max_length=100)]


class SayPhase(Message):
    """`flight` left out: the first."""

    said: Literal["not launched", "launched", "landed", "withdrawn"]
    flight: FlightName = ""


class AssignVehicle(Message):
    """Whose landing it drives to; left out: any."""

    name: Annotated[str, Field(min_length=1, max_length=100)]
    flight: FlightName = ""


class Control(Message):
    action: Literal["play", "pause", "speed", "seek"]
    value: float | str | None = None


class Enter(Message):
    key: Annotated[str, Field(min_length=1, max_length=300)]
