"""A plan of several flights, and of one as a list of one."""

from __future__ import annotations

import pytest

from server.plan.file import PlanError, parse
from tests.session.test_plan import GOOD

SEVERAL = """
[[flights]]
name = "Tern 7"
[flights.launch]
latitude_deg = 38.35
longitude_deg = -98.2
altitude_m = 560
time = 2026-06-06T13:20:00Z
[flights.alarms]
low_height_m = 900
[[flights.trackers]]
name = "Main"
callsign = "N0CALL-11"

[[flights]]
name = "Tern 8"
[flights.descent]
mass_kg = 2.1
parachute_diameter_m = 1.8
[[flights.trackers]]
name = "Main 8"
callsign = "N0CALL-13"
[[flights.trackers]]
name = "Backup 8"
callsign = "N0CALL-14"

[alarms]
low_height_m = 500

[[vehicles]]
name = "Car 1"
callsign = "N0CALL-9"
flight = "Tern 8"
"""


def test_a_plan_of_several_flights() -> None:
    checked = parse(SEVERAL)
    first, second = checked.for_flight().flights
    assert (first.name, second.name) == ("Tern 7", "Tern 8")
    assert [t.name for t in second.trackers] == ["Main 8", "Backup 8"]
    assert first.launch.altitude_m == 560
    assert second.launch.altitude_m is None
    assert second.descent.mass_kg == 2.1
    assert (first.alarms.low_height_m, second.alarms.low_height_m) == (900, 500)
    assert [v.flight for v in checked.for_flight().vehicles] == ["Tern 8"]
    assert checked.name == "Tern 7, Tern 8"


def test_one_flight_is_a_list_of_one() -> None:
    (flight,) = parse(GOOD).for_flight().flights
    assert flight.name == "Tern 7"
    assert len(flight.trackers) == 2


@pytest.mark.parametrize(
    ("good", "bad", "words"),
    [
        ('name = "Tern 8"', 'name = "Tern 7"', "'Tern 7' is there twice"),
        ('flight = "Tern 8"', 'flight = "Tern 9"', "line 33: .*no flight is named 'Tern 9'"),
        ('callsign = "N0CALL-14"', 'callsign = "N0CALL-11"', "'n0call-11' is there twice"),
        (
            'name = "Backup 8"',
            "nam = 1",
            r"line 24: flights.2.trackers.2.nam: unknown key; is name",
        ),
        ("altitude_m = 560", "altitude_m = 56000", r"line 7: flights.1.launch.altitude_m"),
        ("[alarms]", '[flight]\nname = "x"\n[alarms]', r"\[flight\] stands beside \[\[flights\]\]"),
        ("mass_kg = 2.1\n", "", "line 17: flights.2.descent"),
    ],
)
def test_a_mistake_in_one_of_several_is_told_with_its_line(good: str, bad: str, words: str) -> None:
    assert good in SEVERAL
    with pytest.raises(PlanError, match=words):
        parse(SEVERAL.replace(good, bad, 1))
