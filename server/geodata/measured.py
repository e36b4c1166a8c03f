"""Winds that were measured before or beside the flight, from the files that a plan names.

A journal or text log of another flight, the sounding table of a debrief (CSV), a radiosonde of the IGRA 2
archive, BUFR messages with the extra `grib`. A reader gives values with place, moment and error, and that
is all: how much they count is the wind field's business.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

from server.flight.landing.measured_winds import MeasuredWinds, measured
from server.flight.mission import Mission
from server.flight.times import parse_time
from server.geodata.igra import read_igra
from server.geodata.sounding_bufr import read_bufr
from server.geodata.wind_values import FASTEST_MS, HIGHEST_M, LOWEST_M, WindsError
from server.journal.recording import inferred_plan, read_recording
from server.journal.text import LogError

# a column of our own table, and its least and greatest value
_TABLE = {
    "latitude_deg": (-90.0, 90.0),
    "longitude_deg": (-180.0, 180.0),
    "altitude_m": (LOWEST_M, HIGHEST_M),
    "wind_east_m_per_s": (-FASTEST_MS, FASTEST_MS),
    "wind_north_m_per_s": (-FASTEST_MS, FASTEST_MS),
    "wind_component_sigma_m_per_s": (0.0, FASTEST_MS),
}
_FEWEST = 4  # values that make a sounding
_LEAST_SIGMA_MS = 0.5  # no table is surer than that


def read_measured(path: Path, about_s: float | None) -> tuple[MeasuredWinds, ...]:
    """All soundings of a file; of an archive those within two days of `about_s` (UTC seconds).

    WindsError says what is wrong with it.
    """
    try:
        if not path.is_file():
            raise WindsError(f"{path}: no such file")
        kind = path.suffix.lower()
        found: tuple[MeasuredWinds, ...]
        if kind == ".csv":
            found = (_read_table(path),)
        elif kind in (".bufr", ".bufr4", ".bfr"):
            found = read_bufr(path, about_s)
        elif kind == ".txt":
            found = read_igra(path, about_s)
        else:
            found = _read_flights(path)
    except (OSError, UnicodeError) as error:
        raise WindsError(f"{path}: cannot be read: {error}") from error
    if not any(len(one.time_s) >= _FEWEST for one in found):
        raise WindsError(f"{path}: fewer than {_FEWEST} winds in it")
    return found


def _read_flights(path: Path) -> tuple[MeasuredWinds, ...]:
    """What other flights met, on their way up and down."""
    try:
        recording = read_recording(path)
    except LogError as error:
        raise WindsError(str(error)) from error
    mission = Mission(inferred_plan(recording))
    mission.receive(list(recording.receptions))
    questions = [flight.landing_question() for flight in mission.flights]
    found = tuple(
        measured(question.plan.name, question.winds_met(), question.frame, question.seen_burst())
        for question in questions
        if question is not None
    )
    if not found:
        raise WindsError(f"{path}: no tracker gave a position in it")
    return found


def _read_table(path: Path) -> MeasuredWinds:
    """The sounding table that a debrief writes."""
    rows: list[list[float]] = []
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            reader = csv.DictReader(file)
            wanted = ["time_utc", *_TABLE]
            missing = [name for name in wanted if name not in (reader.fieldnames or ())]
            if missing:
                raise WindsError(
                    f"{path}: the sounding table of a debrief expected; {missing[0]} is missing"
                )
            for row in reader:
                where = f"{path}: line {reader.line_num}"
                values = [parse_time(row["time_utc"]) / 1_000.0]
                for name, (least, most) in _TABLE.items():
                    value = float(row[name])
                    if not least <= value <= most:  # NaN is refused too
                        raise WindsError(f"{where}: {name} of {least:g} to {most:g} expected")
                    values.append(value)
                rows.append(values)
    except csv.Error as error:
        raise WindsError(f"{path}: not a table: {error}") from error
    except (ValueError, TypeError, OverflowError) as error:
        if isinstance(error, WindsError):
            raise
        raise WindsError(f"{path}: {error}") from error
    columns = np.array(rows, dtype=np.float64).reshape(-1, 1 + len(_TABLE)).T
    time_s, latitude_deg, longitude_deg, altitude_m, east_ms, north_ms, sigma_ms = columns
    return MeasuredWinds(
        path.stem,
        time_s,
        latitude_deg,
        longitude_deg,
        altitude_m,
        east_ms,
        north_ms,
        np.maximum(sigma_ms, _LEAST_SIGMA_MS),
    )
