"""Winds of others: read from each kind of file, refused with the reason, and worth something."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from server.debrief.bufr import sounding_bufr
from server.debrief.sounding import sounding, sounding_csv
from server.flight.landing.measured_winds import MeasuredWinds, in_frame, measured
from server.flight.landing.predict import predict
from server.flight.mission import Mission
from server.flight.physics.geodesy import LocalFrame, distance_bearing
from server.geodata.measured import read_measured
from server.geodata.surroundings import open_surroundings
from server.geodata.wind_values import WindsError
from server.journal.text import format_line
from tests.debrief.made import demo, plain
from tests.flights import LAUNCH, T0, landed_at, made_flight, position_at

DRIFT_MS = 8.0  # of the made flight, towards the east at every height


def header(begun: str, released: str, levels: int) -> str:
    """By the columns of igra2-data-format.txt (NOAA NCEI): station, moment, levels, place."""
    sources = f"{'ncdc6301':8} {'ncdc6301':8}"
    return (
        f"#{'USM00072451':11} {begun} {released} {levels:4d} {sources} {377_667:7d} {-999_667:8d}"
    )


def level(types: str, pressure_pa: int, height_m: int, direction_deg: int, tenths: int) -> str:
    """Likewise: type, time since the release, pressure, height, temperature, humidity, wind."""
    thermal = f"{-120:5d}B{300:5d} {150:5d}"
    return f"{types} {-9999:5d} {pressure_pa:6d} {height_m:5d}B{thermal} {direction_deg:5d} {tenths:5d}"


# a surface and mandatory levels, a wind level by pressure alone, and one level whose wind is missing
FIRST = [
    header("2026 06 01 12", "1131", 5),
    level("21", 95_000, 560, 200, 70),
    level("10", 70_000, 3_150, 250, 180),
    level("10", 50_000, 5_800, 270, 250),
    level("20", 40_000, -9999, 280, 300),
    level("10", 30_000, 9_400, -9999, -9999),
]
OTHER_DAY = [header("2026 06 05 00", "2330", 1), level("10", 50_000, 5_800, 270, 250)]
IGRA = "".join(f"{line}\n" for line in (*FIRST, *OTHER_DAY))


# As the archive publishes them (IGRA 2, NOAA NCEI, public domain): station USM00072649, 2023-11-18 00 UTC,
# the header with fewer levels than it had. What each field is, igra2-data-format.txt says
PUBLISHED = """\
#USM00072649 2023 11 18 00 2303    8 ncdc-nws           448497  -935647
21     0  98107B  290    65B  350   143   360     0
20     7  97609   332B   66B  339   147   208    45
20    33  95916   476B   60B  325   152   224    73
20  5614   9147 16780B -594B   14   277   281   190
20  9219   1433 28939B -587B   11   291   336   121
20  9447   1229 29905B -581B   11   291   285    44
20  9528   1177 30177B -578B   11   293   270    72
20 10305    747 33064B -542B-9999 -9999   286   298
"""


def test_lines_of_the_archive_itself(tmp_path: Path) -> None:
    (tmp_path / "USM00072649-data.txt").write_text(PUBLISHED)
    (one,) = read_measured(tmp_path / "USM00072649-data.txt", 1_700_262_180.0)
    np.testing.assert_allclose(one.latitude_deg, 44.8497)
    np.testing.assert_allclose(one.longitude_deg, -93.5647)
    heights = [290, 332, 476, 16_780, 28_939, 29_905, 30_177, 33_064]
    np.testing.assert_allclose(one.altitude_m, heights, rtol=6e-3)  # geopotential to geometric
    speeds_ms = [0.0, 4.5, 7.3, 19.0, 12.1, 4.4, 7.2, 29.8]
    np.testing.assert_allclose(np.hypot(one.east_ms, one.north_ms), speeds_ms, atol=1e-9)
    from_deg = np.degrees(np.arctan2(-one.east_ms, -one.north_ms))[1:] % 360.0
    np.testing.assert_allclose(from_deg, [208, 224, 281, 336, 285, 270, 286])
    let_go_s = 1_700_262_180.0  # 2023-11-17T23:03Z
    after_s = [0, 7, 33, 56 * 60 + 14, 92 * 60 + 19, 94 * 60 + 47, 95 * 60 + 28, 103 * 60 + 5]
    np.testing.assert_allclose(one.time_s - let_go_s, after_s)


def test_a_radiosonde_of_the_archive(tmp_path: Path) -> None:
    (tmp_path / "station.txt").write_text(IGRA)
    (one,) = read_measured(tmp_path / "station.txt", T0)
    assert one.name.startswith("USM00072451")
    np.testing.assert_allclose(one.latitude_deg, 37.7667)
    np.testing.assert_allclose(one.longitude_deg, -99.9667)
    # 40,000 Pa lies between 5,800 and 9,400 m, straight in the log of pressure
    share = np.log(50_000 / 40_000) / np.log(50_000 / 30_000)
    heights = np.array([560.0, 3_150.0, 5_800.0, 5_800.0 + share * 3_600.0])
    np.testing.assert_allclose(one.altitude_m, heights, rtol=2e-3)
    np.testing.assert_allclose(np.hypot(one.east_ms, one.north_ms), [7.0, 18.0, 25.0, 30.0])
    assert one.east_ms[2] == pytest.approx(25.0)  # from the west: towards the east
    assert one.north_ms[0] > 6.0  # from the south-south-west
    begun = T0 - 3_600.0 - 29 * 60.0  # let go at 11:31, T0 is 13:00
    assert one.time_s[0] == pytest.approx(begun)
    assert one.time_s[2] == pytest.approx(begun + 5_240.0 / 5.0, abs=10.0)
    with pytest.raises(WindsError, match="fewer"):  # the last one of the file has a single level
        read_measured(tmp_path / "station.txt", None)


def test_an_earlier_flight_its_table_and_its_bufr_agree(tmp_path: Path) -> None:
    record = demo()
    log = tmp_path / "lark.log"
    heard = "\n".join(format_line(r) for r in record.recording.receptions)
    log.write_text(f"# name: Lark\n{heard}\n")
    (tmp_path / "lark.csv").write_bytes(sounding_csv(sounding(record)))
    (flown,) = read_measured(log, None)
    assert flown.name == "Lark"
    (table,) = read_measured(tmp_path / "lark.csv", None)
    assert len(table.time_s) > 100

    def east_at(one: MeasuredWinds, altitude_m: float) -> float:
        near = np.abs(one.altitude_m - altitude_m) < 700.0
        return float(one.east_ms[near].mean())

    for altitude_m in (3_000.0, 10_000.0, 20_000.0):
        assert east_at(flown, altitude_m) == pytest.approx(east_at(table, altitude_m), abs=3.0)
    pytest.importorskip("eccodes", reason="the extra grib is not installed")
    (tmp_path / "lark.bufr").write_bytes(sounding_bufr(record, sounding(record)))
    (message,) = read_measured(tmp_path / "lark.bufr", None)
    assert len(message.time_s) == len(table.time_s)
    np.testing.assert_allclose(
        message.altitude_m, table.altitude_m, atol=25.0
    )  # gravity by latitude
    np.testing.assert_allclose(
        message.east_ms, table.east_ms, atol=0.6
    )  # whole degrees of direction
    np.testing.assert_allclose(message.latitude_deg, table.latitude_deg, atol=2e-5)
    np.testing.assert_allclose(message.time_s, table.time_s, atol=60.0)


BROKEN = [
    ("none.log", None, "no such file"),
    ("empty.log", b"", "no reception"),
    ("broken.csv", b"a,b\n1,2\n", "is missing"),
    ("short.txt", IGRA.splitlines()[0].encode() + b"\n", "it ends within the sounding"),
    ("wrong.txt", b"nothing of the kind\n", "header record"),
    ("numbers.txt", b"#USM00072451 2026 xx 01 12 1131    4 a        b\n", "no header"),
    (
        "levels.txt",
        b"#USM00072451 2026 06 01 12 1131 9999 a        b         377667  -999667\n",
        "ends",
    ),
    ("other-day.txt", "\n".join([*OTHER_DAY, ""]).encode(), "two days"),
    ("binary.txt", bytes(range(256)), "cannot be read"),
]


@pytest.mark.parametrize(("name", "content", "words"), BROKEN, ids=[b[0] for b in BROKEN])
def test_a_file_that_cannot_be_used_is_named_and_the_flight_goes_on(
    tmp_path: Path, name: str, content: bytes | None, words: str
) -> None:
    if content is not None:
        (tmp_path / name).write_bytes(content)
    with pytest.raises(WindsError, match=words) as refused:
        read_measured(tmp_path / name, T0)
    assert name in str(refused.value)
    opened = open_surroundings(tmp_path, None, (), None, (name,), T0)
    assert opened.winds == ()
    assert name in opened.problems[0]


def test_a_damaged_bufr_file_is_named(tmp_path: Path) -> None:
    pytest.importorskip("eccodes", reason="the extra grib is not installed")
    whole = sounding_bufr(plain(), sounding(plain()))
    for i, content in enumerate(
        (b"BUFR", whole[: len(whole) // 2], b"rubbish" * 99, whole[:40] + whole[90:])
    ):
        (tmp_path / f"{i}.bufr").write_bytes(content)
        with pytest.raises(WindsError, match=rf"{i}\.bufr"):
            read_measured(tmp_path / f"{i}.bufr", None)


def flown_until(until_s: float, others: tuple[MeasuredWinds, ...] = ()) -> Mission:
    flight = Mission(plain().mission.plan, winds=others)
    flight.receive(list(made_flight(until_s)))
    return flight


def an_hour_earlier() -> MeasuredWinds:
    question = flown_until(landed_at(5_400.0) + 60.0).flights[0].landing_question()
    assert question is not None
    one = measured("Lark 1", question.winds_met(), question.frame)
    return replace(one, time_s=one.time_s - 3_600.0)


def off_m(flight: Mission) -> tuple[float, float]:
    """Error of the landing, and the radius of its 90 % area."""
    question = flight.flights[0].landing_question()
    assert question is not None
    answer = predict(question)
    assert answer is not None
    here = question.frame.to_latlon(answer.x_m, answer.y_m)
    truth = position_at(landed_at(5_400.0))
    away_m, _ = distance_bearing(float(here[0]), float(here[1]), truth[0], truth[1])
    return away_m, answer.nine_tenths.radius_m


def test_an_earlier_box_is_worth_much_and_an_old_one_little() -> None:
    _, wide_m = off_m(flown_until(700.0))
    earlier = an_hour_earlier()
    with_m, narrow_m = off_m(flown_until(700.0, (earlier,)))
    assert with_m < narrow_m < 0.5 * wide_m
    old = replace(earlier, time_s=earlier.time_s - 12 * 3_600.0)
    _, old_m = off_m(flown_until(700.0, (old,)))
    assert narrow_m < old_m < wide_m
    far = replace(earlier, longitude_deg=earlier.longitude_deg + 8.0)  # 700 km off
    _, far_m = off_m(flown_until(700.0, (far,)))
    assert narrow_m < far_m < wide_m


def test_values_of_one_layer_and_hour_are_one_sample() -> None:
    frame, same = LocalFrame(LAUNCH[0], LAUNCH[1]), np.ones(4)
    one = MeasuredWinds(
        "x",
        T0 + 10.0 * np.arange(4, dtype=np.float64),
        LAUNCH[0] * same,
        LAUNCH[1] * same,
        np.array([1_010.0, 1_020.0, 1_030.0, 9_999_999.0]),
        np.array([1.0, 2.0, 3.0, 99.0]),
        0 * same,
        same,
    )
    found = in_frame((one,), frame)
    assert found.layer.tolist() == [4]
    assert found.east_ms.tolist() == [2.0]
    assert found.sigma_ms.tolist() == [1.0], "values of one source are no surer together"
    assert len(in_frame((), frame).layer) == 0
