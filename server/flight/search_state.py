"""The search in the state: what the crew noted, and where the box lies by all that is known."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from server.flight.shapes import MultiPolygon

# heard; late by its intervals; lost below the horizon of whoever listens, as was to be expected; lost
# before that; found by the crew
ContactState = Literal["never heard", "heard", "late", "lost as expected", "lost", "found"]


@dataclass(frozen=True, slots=True)
class BearingNoted:
    """Degrees of true north. `reflected`: the chance that it tells nothing, after all evidence."""

    id: str
    by: str
    time: datetime
    latitude_deg: float
    longitude_deg: float
    bearing_deg: float
    sureness: Literal["sharp", "broad", "ahead"]
    reflected: float | None


@dataclass(frozen=True, slots=True)
class SearchedNoted:
    """Ground that was looked over: a line with a width of sight, or (closed) what lies within it."""

    id: str
    by: str
    time: datetime
    path: tuple[tuple[float, float], ...]  # latitude, longitude
    closed: bool
    width_m: float
    ground: Literal["open", "crops", "wood"]


@dataclass(frozen=True, slots=True)
class FoundNoted:
    id: str
    by: str
    time: datetime
    latitude_deg: float
    longitude_deg: float
    note: str
    photo: str | None


@dataclass(frozen=True, slots=True)
class ClaimNoted:
    """Somebody goes there, or (`can` False) cannot, and why."""

    id: str
    by: str
    time: datetime
    can: bool
    note: str


@dataclass(frozen=True, slots=True)
class ListenHere:
    """A drive there, listening all the way: the chance that a packet is heard by its end.

    `within_s`: it takes so long, with `stop_s` at the place (ground's height `ground_m`); `then`: where
    it goes on, latitude and longitude.
    """

    latitude_deg: float
    longitude_deg: float
    ground_m: float
    chance: float
    within_s: float
    stop_s: float
    then: tuple[tuple[float, float], ...]
    chance_in_an_hour: float  # of the whole drive


@dataclass(frozen=True, slots=True)
class WalkHere:
    """A stretch about a place that one person looks over in an hour, and the chance to find it there."""

    latitude_deg: float
    longitude_deg: float
    width_m: float  # from west to east
    length_m: float  # from south to north
    chance: float


@dataclass(frozen=True, slots=True)
class ExpectedNow:
    """Where it should be at `time` while it falls unheard: worked out, not measured."""

    time: datetime
    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    sigma_h_m: float


@dataclass(frozen=True, slots=True)
class TrackerEnded:
    """The chance that a tracker has ended."""

    tracker: str
    chance: float


@dataclass(frozen=True, slots=True)
class SearchResult:
    """Where it lies by prediction, silence, bearings and searched ground, as of a moment."""

    as_of: datetime
    p50: MultiPolygon
    p90: MultiPolygon
    area_90_m2: float
    best_latitude_deg: float
    best_longitude_deg: float
    covered: float  # the chance that what was searched would have shown it
    effective_particles: float
    ended: tuple[TrackerEnded, ...]
    listen: ListenHere | None
    walk: WalkHere
    walk_first: bool  # an hour on foot is likelier to find it than an hour's drive to hear it
    dark: datetime | None  # sunset there


@dataclass(frozen=True, slots=True)
class Search:
    """`result` None: it is heard, or nothing was predicted yet."""

    contact: ContactState
    since: datetime | None  # of the last packet
    expected_now: ExpectedNow | None
    result: SearchResult | None
    bearings: tuple[BearingNoted, ...]
    searched: tuple[SearchedNoted, ...]
    found: FoundNoted | None
    claims: tuple[ClaimNoted, ...]
