"""What the screen is given: the present state, the history behind it, and doors for the crew.

The screen knows no station and no replay; whoever has this shape can be shown. Times in the history
are UTC seconds since 1970, positions WGS 84 degrees, altitudes metres above mean sea level.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, Protocol, TypedDict

Mode = Literal["live", "replay", "rehearsal"]

# time_s, latitude_deg, longitude_deg, altitude_m, climb_ms, sigma_h_m, phase
TrackPoint = tuple[float, float, float, float | None, float | None, float | None, str]
# time_s, latitude_deg, longitude_deg, altitude_m, accepted, reason
FixPoint = tuple[float, float, float, float | None, bool, str | None]
# time_s, latitude_deg, longitude_deg
VehiclePoint = tuple[float, float, float]
# time_s, value
SensorPoint = tuple[float, float]


class SensorSeries(TypedDict):
    unit: str
    points: Sequence[SensorPoint]


@dataclass(frozen=True)
class History:
    """Series that grow, and may be rewritten from some index on when a late packet arrives."""

    track: Sequence[TrackPoint] = ()
    fixes: Mapping[str, Sequence[FixPoint]] = field(default_factory=dict)
    vehicles: Mapping[str, Sequence[VehiclePoint]] = field(default_factory=dict)
    sensors: Mapping[str, SensorSeries] = field(default_factory=dict)  # key: "tracker/quantity"


class Refused(Exception):
    """A command that cannot be carried out; its text is a sentence for the person who asked."""


class Feed(Protocol):
    mode: Mode

    def state(self) -> dict[str, Any]:
        """The state at this moment, ready for JSON, in the shape of `wire.State`."""

    def history(self) -> History: ...

    def subscribe(self, on_change: Callable[[], None]) -> Callable[[], None]:
        """Call `on_change` in the event loop at each change; gives back how to stop that."""

    async def receive(self, source: str, payload: bytes) -> int:
        """Put a phone's body on disk, then use it; gives its number in the journal."""

    async def command(
        self, kind: str, name: str, latitude_deg: float | None, longitude_deg: float | None
    ) -> None:
        """`acknowledge` the alarm `name`, or place the `vehicle` `name`. Raises Refused."""

    async def control(self, action: str, value: float | str | None) -> None:
        """`play`, `pause`, `speed` (times) or `seek` (UTC seconds). Raises Refused when live."""

    def phone_source(self, token: str) -> str | None:
        """The source that a beacon token belongs to, compared in constant time."""
