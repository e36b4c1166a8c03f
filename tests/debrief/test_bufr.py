"""The sounding as BUFR, read back by ecCodes, and by pybufrkit with tables and code of its own."""

from __future__ import annotations

import builtins
import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pybufrkit.dataquery import DataQuerent, NodePathParser
from pybufrkit.decoder import Decoder
from typer.testing import CliRunner

from server.commands.main import app
from server.debrief.air import dew_point_c, geopotential_height_m
from server.debrief.bufr import PILOT, TEMP, BufrUnavailable, sounding_bufr, start_of
from server.debrief.record import FlightRecord
from server.debrief.sounding import Level, sounding
from tests.debrief.made import demo, plain
from tests.debrief.test_command import write_log
from tests.flights import T0

FLIGHTS = pytest.mark.parametrize(
    ("flown", "template"), [(demo, TEMP), (plain, PILOT)], ids=["pressure", "winds alone"]
)


def written(record: FlightRecord, levels: Sequence[Level] | None = None) -> bytes:
    pytest.importorskip("eccodes", reason="the extra grib is not installed")
    return sounding_bufr(record, sounding(record) if levels is None else levels)


Column = Sequence[float | None]


def expected(record: FlightRecord, template: int) -> dict[str, tuple[Column, float]]:
    """Each element of the levels by its descriptor, with half a step of its scale in table B."""
    levels, start = sounding(record), start_of(record, sounding(record))
    height: Column = [geopotential_height_m(v.altitude_m, v.latitude_deg) for v in levels]
    common: dict[str, tuple[Column, float]] = {
        "004086": ([v.time_s - start.time_s for v in levels], 0.5),
        "005015": ([v.latitude_deg - start.latitude_deg for v in levels], 5e-6),
        "006015": ([v.longitude_deg - start.longitude_deg for v in levels], 5e-6),
        "011001": ([v.from_deg for v in levels], 0.5),
        "011002": ([v.speed_ms for v in levels], 0.05),
    }
    if template == PILOT:
        return common | {"007009": (height, 0.5)}
    dew = [dew_point_c(v.temperature_c, v.humidity_percent) for v in levels]
    sensed: dict[str, tuple[Column, float]] = {
        "007004": ([v.pressure_pa for v in levels], 5.0),
        "010009": (height, 0.5),
        "012101": (
            [None if v.temperature_c is None else v.temperature_c + 273.15 for v in levels],
            0.005,
        ),
        "012103": ([None if d is None else d + 273.15 for d in dew], 0.005),
    }
    return common | sensed


def assert_same(descriptor: str, found: Column, wanted: tuple[Column, float]) -> None:
    values, half = wanted
    turn = 360.0 if descriptor == "011001" else math.inf
    assert [v is None for v in found] == [v is None for v in values]
    pairs = [(f, w) for f, w in zip(found, values, strict=True) if f is not None and w is not None]
    assert max((abs(math.remainder(f - w, turn)) for f, w in pairs), default=0.0) <= half * 1.001


KEYS = {
    "004086": "timePeriod",
    "005015": "latitudeDisplacement",
    "006015": "longitudeDisplacement",
    "011001": "windDirection",
    "011002": "windSpeed",
    "007009": "geopotentialHeight",
    "007004": "pressure",
    "010009": "nonCoordinateGeopotentialHeight",
    "012101": "airTemperature",
    "012103": "dewpointTemperature",
}


@FLIGHTS
def test_eccodes_reads_it_back(flown: Any, template: int) -> None:
    record = flown()
    content = written(record)
    import eccodes

    message = eccodes.codes_new_from_message(content)
    try:
        eccodes.codes_set(message, "unpack", 1)
        assert eccodes.codes_get(message, "unexpandedDescriptors") == template
        start = start_of(record, sounding(record))
        parts = ("year", "month", "day", "hour", "minute", "second")
        moment = [int(eccodes.codes_get_array(message, part)[0]) for part in parts]
        year, month, day, hour, minute, second = moment
        at = datetime(year, month, day, hour, minute, second, tzinfo=UTC)
        assert at.timestamp() == start.time_s
        assert start.time_s == pytest.approx(record.first("launch").time_s, abs=0.5)
        place = [eccodes.codes_get(message, k) for k in ("latitude", "longitude")]
        assert place == pytest.approx([start.latitude_deg, start.longitude_deg], abs=5e-6)
        assert eccodes.codes_get(message, "shipOrMobileLandStationIdentifier") == "N0CALL-11"
        for descriptor, wanted in expected(record, template).items():
            column = eccodes.codes_get_array(message, KEYS[descriptor]).astype(float)
            missing = {eccodes.CODES_MISSING_DOUBLE, float(eccodes.CODES_MISSING_LONG)}
            column = np.broadcast_to(column, len(wanted[0]))  # one value where all are the same
            assert_same(descriptor, [None if v in missing else float(v) for v in column], wanted)
    finally:
        eccodes.codes_release(message)


@FLIGHTS
def test_another_reader_finds_the_same(flown: Any, template: int) -> None:
    record = flown()
    message = Decoder().process(written(record))
    assert message.unexpanded_descriptors.value == [template]
    assert message.data_category.value == 2
    querent = DataQuerent(NodePathParser())

    def column(descriptor: str) -> Column:
        return _flat(querent.query(message, descriptor).all_values())

    start = start_of(record, sounding(record))
    assert [*column("005001"), *column("006001")] == pytest.approx(
        [start.latitude_deg, start.longitude_deg], abs=5e-6
    )
    for descriptor, wanted in expected(record, template).items():
        assert_same(descriptor, column(descriptor), wanted)


def _flat(found: Any) -> Column:
    return [v for part in found for v in _flat(part)] if isinstance(found, list) else [found]


def test_what_the_bits_cannot_hold_is_missing() -> None:
    levels = [
        replace_level(v, pressure_pa=9e9, temperature_c=math.nan, time_s=v.time_s + 1e6)
        for v in sounding(demo())
    ]
    message = Decoder().process(written(demo(), levels))
    querent = DataQuerent(NodePathParser())
    for descriptor in ("007004", "012101", "012103", "004086"):
        assert set(_flat(querent.query(message, descriptor).all_values())) == {None}
    assert None not in _flat(querent.query(message, "011002").all_values())


def replace_level(level: Level, **values: float) -> Level:
    return level._replace(**values)


def test_a_flight_first_heard_aloft_starts_at_its_lowest_level() -> None:
    record = replace(demo(), happenings=[e for e in demo().happenings if e.kind != "launch"])
    levels = [v for v in sounding(record) if v.altitude_m > 14_000.0]
    start = start_of(record, levels)
    assert (start.time_s, start.altitude_m) == (round(levels[0].time_s), None)
    message = Decoder().process(written(record, levels))
    assert _flat(DataQuerent(NodePathParser()).query(message, "007030").all_values()) == [None]


def test_a_calm_and_a_north_wind_are_told_apart() -> None:
    """WMO-No. 306, 0 11 001: 0 is a calm, a wind from the north is 360."""
    calm = Level(500.0, T0, 38.0, -98.0, 0.0, 0.0, 1.0, None, None, None, None)
    north = calm._replace(altitude_m=750.0, north_ms=-5.0)
    message = Decoder().process(written(plain(), [calm, north]))
    found = _flat(DataQuerent(NodePathParser()).query(message, "011001").all_values())
    assert found == [0, 360]


def test_without_the_library_it_says_what_is_left_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = builtins.__import__

    def none(name: str, *rest: Any, **more: Any) -> Any:
        if name == "eccodes":
            raise ImportError(name)
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", none)
    with pytest.raises(BufrUnavailable, match="needs the extra 'grib'"):
        sounding_bufr(plain(), sounding(plain()))
    log = write_log(tmp_path / "a.log")
    result = CliRunner().invoke(app, ["debrief", str(log), "--out", str(tmp_path)])
    assert result.exit_code == 0, result.output
    assert "BUFR is left out: it needs the extra 'grib'" in result.output
    assert (tmp_path / "a-sounding.csv").is_file()
    assert not (tmp_path / "a-sounding.bufr").exists()
