"""What the plan says of a flight: its launch, its balloon, its fall, its trackers, its alarms."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Literal

from pydantic import AwareDatetime, Field, model_validator

from decoders.comments import CommentPattern
from decoders.reports import DecodeError
from server.flight.inputs import AlarmPlan, FlightPlan, LaunchPlan, TrackerPlan
from server.plan.balloon import BalloonSection, DescentSection
from server.plan.network import Token
from server.plan.section import Section
from server.plan.sources import HeardName, SourceName

Text = Annotated[str, Field(min_length=1, max_length=80)]
Latitude = Annotated[float, Field(ge=-90, le=90)]
Longitude = Annotated[float, Field(ge=-180, le=180)]


class FlightSection(Section):
    name: Text


class LaunchSection(Section):
    latitude_deg: Latitude
    longitude_deg: Longitude
    altitude_m: Annotated[float, Field(ge=-450, le=6_000)]
    time: AwareDatetime | None = None

    @property
    def time_s(self) -> float | None:
        return None if self.time is None else self.time.timestamp()


class TrackerSection(Section):
    name: Text
    role: Literal["main", "backup", "phone"] = "main"
    callsign: HeardName | None = None
    source: SourceName | None = None
    token: Token | None = None
    comment_pattern: Annotated[str, Field(max_length=500)] | None = None
    comment_scales: dict[str, tuple[float, float, str]] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _identified(self) -> TrackerSection:
        if self.callsign is None and self.source is None:
            raise ValueError("a tracker needs a callsign (radio) or a source (NMEA, phone)")
        if self.comment_pattern is not None:
            try:
                CommentPattern(self.comment_pattern, self.comment_scales)
            except DecodeError as error:
                raise ValueError(str(error)) from error
        return self


class AlarmSection(Section):
    low_height_m: Annotated[float, Field(gt=0, le=10_000)] = 600.0
    silent_after_intervals: Annotated[float, Field(ge=2, le=100)] = 4.0


class OneFlight(Section):
    """A flight among several (`[[flights]]`)."""

    name: Text
    launch: LaunchSection | None = None
    balloon: BalloonSection = BalloonSection()
    descent: DescentSection = DescentSection()
    trackers: Annotated[tuple[TrackerSection, ...], Field(min_length=1, max_length=20)]
    alarms: AlarmSection | None = None  # None: those of the mission

    @model_validator(mode="after")
    def _can_rise(self) -> OneFlight:
        self.balloon.for_flight(self.descent, self._launch_altitude_m)
        return self

    @property
    def _launch_altitude_m(self) -> float:
        return 0.0 if self.launch is None else self.launch.altitude_m

    def for_flight(
        self, alarms: AlarmSection, full: Callable[[str | None], str | None]
    ) -> FlightPlan:
        """`alarms` of the mission; `full` gives a source its name among several stations."""
        launch = self.launch
        return FlightPlan(
            name=self.name,
            launch=LaunchPlan()
            if launch is None
            else LaunchPlan(
                launch.latitude_deg, launch.longitude_deg, launch.altitude_m, launch.time_s
            ),
            balloon=self.balloon.for_flight(self.descent, self._launch_altitude_m),
            descent=self.descent.for_flight(),
            trackers=tuple(
                TrackerPlan(
                    t.name, t.callsign, full(t.source), t.role, t.comment_pattern, t.comment_scales
                )
                for t in self.trackers
            ),
            alarms=AlarmPlan(**(self.alarms or alarms).model_dump()),
        )
