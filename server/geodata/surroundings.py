"""What the plan says of the ground and the air around a flight, opened from the plan's folder."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from server.flight.inputs import AvoidArea
from server.flight.landing.measured_winds import MeasuredWinds
from server.geodata.avoid import AvoidError, read_areas
from server.geodata.forecast import read_forecast
from server.geodata.forecast_winds import ForecastError, GridForecast, TableForecast
from server.geodata.measured import read_measured
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
