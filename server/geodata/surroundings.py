"""What the plan says of the ground and the air around a flight, opened from the plan's folder."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from server.flight.inputs import AvoidArea
from server.flight.landing.measured_winds import MeasuredWinds
from server.geodata.avoid import AvoidError, read_areas
from server.geodata.forecast import read_forecast
from server.geodata.forecast_winds import ForecastError, GridForecast, TableForecast
from server.geodata.measured import read_measured
from server.geodata.packed import Packed
from server.geodata.terrain import TerrainError, TerrainFolder
from server.geodata.wind_values import WindsError


class SurroundingsError(ValueError):
    """A folder or file that the plan names cannot be used; the message says which and why."""


@dataclass(frozen=True)
class Surroundings:
    terrain: TerrainFolder | None = None
    avoid: tuple[AvoidArea, ...] = ()
    forecast: TableForecast | GridForecast | None = None
    winds: tuple[MeasuredWinds, ...] = ()
    problems: tuple[str, ...] = ()  # files of winds that cannot be used: the flight goes on without
    pack_problems: tuple[str, ...] = ()  # files of the pack that cannot
    roads: tuple[Path, ...] = ()  # extracts; they are read when the flight runs


def open_surroundings(
    folder: Path,
    terrain: str | None,
    avoid: tuple[str, ...],
    forecast: str | None = None,
    measured: tuple[str, ...] = (),
    about_s: float | None = None,
) -> Surroundings:
    """Paths are taken from `folder`; `about_s`: when it flies (UTC seconds).

    SurroundingsError when ground, areas or forecast cannot be used; measured winds are told and left out.
    """
    try:
        ground = None if terrain is None else TerrainFolder(folder / terrain)
        areas = [area for name in avoid for area in read_areas(folder / name)]
        winds = None if forecast is None else read_forecast(folder / forecast)
    except (TerrainError, AvoidError, ForecastError) as error:
        raise SurroundingsError(str(error)) from error
    found: list[MeasuredWinds] = []
    problems = []
    for name in measured:
        try:
            found += read_measured(folder / name, about_s)
        except WindsError as error:
            problems.append(str(error))
    return Surroundings(ground, tuple(areas), winds, tuple(found), tuple(problems))


def with_pack(plan: Surroundings, packed: Packed) -> Surroundings:
    """The pack's heights and forecast where the plan names none; what cannot be used is told."""
    problems = list(packed.problems)
    terrain, forecast = plan.terrain, plan.forecast
    if terrain is None and packed.terrain is not None:
        try:
            terrain = TerrainFolder(packed.terrain, packed.tiles)
        except TerrainError as error:
            problems.append(str(error))
    if forecast is None and packed.forecast is not None:
        try:
            forecast = read_forecast(packed.forecast)
        except ForecastError as error:
            problems.append(str(error))
    return replace(plan, terrain=terrain, forecast=forecast, pack_problems=tuple(problems))
