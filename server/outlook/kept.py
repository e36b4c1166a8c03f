"""What outlooks said of the plan's own site, kept beside the plan: the countdown is held against it."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from server.flight.inputs import OutlookLanding
from server.outlook.limits import Verdict

if TYPE_CHECKING:
    from server.outlook.hours import Hour

MOST_OUTLOOKS = 24  # the latest of each flight


class KeptError(ValueError):
    """The file of kept outlooks cannot be read or written."""


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class _Landing(_Strict):
    launch_time: AwareDatetime
    latitude_deg: float = Field(ge=-90, le=90)
    longitude_deg: float = Field(ge=-180, le=180)
    radius_90_m: float = Field(ge=0, le=20_100_000)
    lands: AwareDatetime | None = None
    verdict: Verdict = Verdict.UNKNOWN


class _Outlook(_Strict):
    flight: str
    made: AwareDatetime
    landings: tuple[_Landing, ...]


class _Kept(_Strict):
    outlooks: tuple[_Outlook, ...] = ()


def kept_beside(plan: Path) -> Path:
    """Where they are kept."""
    return plan.with_suffix(".outlook.json")


def keep(path: Path, flight: str, made: datetime, hours: Iterable[Hour]) -> None:
    """Add one outlook; what cannot be read is replaced. KeptError: it cannot be written."""
    try:
        before = _read(path)
    except KeptError:
        before = _Kept()
    landings = tuple(
        _Landing(
            launch_time=hour.launch_time,
            latitude_deg=hour.landing.latitude_deg,
            longitude_deg=hour.landing.longitude_deg,
            radius_90_m=hour.landing.radius_90_m,
            lands=hour.landing.time,
            verdict=hour.verdict,
        )
        for hour in hours
        if hour.landing is not None
    )
    outlooks = (*before.outlooks, _Outlook(flight=flight, made=made, landings=landings))
    own = [one for one in outlooks if one.flight == flight][-MOST_OUTLOOKS:]
    others = [one for one in outlooks if one.flight != flight]
    beside = path.with_suffix(".json.new")
    try:
        beside.write_text(_Kept(outlooks=(*others, *own)).model_dump_json(), encoding="utf-8")
        beside.replace(path)
    except OSError as error:
        raise KeptError(f"{path}: cannot be written: {error.strerror or error}") from error


def kept(path: Path, flight: str) -> tuple[OutlookLanding, ...]:
    """Of one flight, the oldest outlook first. KeptError: the file is not what `keep` wrote."""
    return tuple(
        OutlookLanding(
            made_s=outlook.made.timestamp(),
            launch_s=landing.launch_time.timestamp(),
            latitude_deg=landing.latitude_deg,
            longitude_deg=landing.longitude_deg,
            radius_90_m=landing.radius_90_m,
            lands_s=None if landing.lands is None else landing.lands.timestamp(),
            verdict=landing.verdict.value,
        )
        for outlook in _read(path).outlooks
        if outlook.flight == flight
        for landing in outlook.landings
    )


def _read(path: Path) -> _Kept:
    try:
        return _Kept.model_validate_json(path.read_bytes())
    except FileNotFoundError:
        return _Kept()
    except (OSError, ValidationError) as error:
        raise KeptError(f"{path}: no outlook is read from it: {error}") from error
