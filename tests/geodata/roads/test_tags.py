"""What tags mean for a car: OpenStreetMap wiki, Key:access, oneway, barrier, maxspeed, duration."""

from __future__ import annotations

import pytest

from server.geodata.roads.access import CLOSED, Entry, Passage, node, passage
from server.geodata.roads.speeds import duration_s, limit_kmh, pace

OPEN = Passage(Entry.OPEN, Entry.OPEN)
ENDS = Passage(Entry.DESTINATION, Entry.DESTINATION)
ALONG = Passage(Entry.OPEN, Entry.CLOSED)
AGAINST = Passage(Entry.CLOSED, Entry.OPEN)


@pytest.mark.parametrize(
    ("tags", "expected"),
    [
        ("highway=residential", OPEN),
        ("highway=residential access=no", CLOSED),
        ("highway=residential access=private", CLOSED),
        ("highway=track access=agricultural", CLOSED),
        ("highway=track motor_vehicle=forestry", CLOSED),
        ("highway=track motor_vehicle=agricultural;forestry", CLOSED),
        ("highway=track", OPEN),
        ("highway=residential access=destination", ENDS),
        ("highway=service access=customers", ENDS),
        ("highway=service service=driveway", ENDS),
        ("highway=service service=parking_aisle", ENDS),
        ("highway=service service=alley", OPEN),
        ("highway=service service=emergency_access", CLOSED),
        # the more specific key decides
        ("highway=unclassified access=no motor_vehicle=yes", OPEN),
        ("highway=unclassified motor_vehicle=no motorcar=yes", OPEN),
        ("highway=unclassified access=yes vehicle=no", CLOSED),
        ("highway=unclassified vehicle=no motor_vehicle=destination", ENDS),
        ("highway=residential access=permissive", OPEN),
        # closed by class unless cars are named
        ("highway=footway", CLOSED),
        ("highway=path access=yes", CLOSED),
        ("highway=cycleway motor_vehicle=yes", OPEN),
        ("highway=pedestrian motorcar=destination", ENDS),
        ("highway=steps motor_vehicle=yes", CLOSED),
        ("highway=construction", CLOSED),
        ("highway=proposed", CLOSED),
        ("highway=busway", CLOSED),
        ("highway=service area=yes", CLOSED),
        # one-ways
        ("highway=primary oneway=yes", ALONG),
        ("highway=primary oneway=1", ALONG),
        ("highway=primary oneway=-1", AGAINST),
        ("highway=primary oneway=no", OPEN),
        ("highway=primary oneway=reversible", CLOSED),
        ("highway=primary oneway=alternating", OPEN),
        ("highway=motorway", ALONG),
        ("highway=motorway oneway=no", OPEN),
        ("highway=motorway_link", OPEN),
        ("highway=tertiary junction=roundabout", ALONG),
        ("highway=tertiary junction=circular", ALONG),
        ("highway=residential oneway=yes oneway:motor_vehicle=no", OPEN),
        ("highway=residential oneway:motor_vehicle=-1", AGAINST),
        ("highway=residential oneway=yes oneway:bicycle=no", ALONG),
        ("highway=residential motor_vehicle:backward=no", ALONG),
        ("highway=residential access:forward=no", AGAINST),
        ("highway=residential oneway=yes access=destination", Passage(Entry.DESTINATION, Entry.CLOSED)),
        # ferries
        ("route=ferry", OPEN),
        ("route=ferry motor_vehicle=yes", OPEN),
        ("route=ferry motor_vehicle=no", CLOSED),
        ("route=ferry foot=yes", CLOSED),
        ("route=ferry foot=yes motorcar=yes", OPEN),
        ("route=shuttle_train", OPEN),
        ("route=hiking", CLOSED),
    ],
)  # fmt: skip
def test_who_may_pass(tags: str, expected: Passage) -> None:
    assert passage(dict(tag.split("=") for tag in tags.split())) == expected


@pytest.mark.parametrize(
    ("tags", "blocked", "delay_s"),
    [
        ("barrier=bollard", True, 0.0),
        ("barrier=bollard motor_vehicle=yes", None, None),
        ("barrier=gate", False, 30.0),
        ("barrier=gate access=private", True, 0.0),
        ("barrier=gate access=yes", False, 0.0),
        ("barrier=gate locked=yes", True, 0.0),
        ("barrier=lift_gate motor_vehicle=no", True, 0.0),
        ("barrier=lift_gate access=no motor_vehicle=yes", False, 0.0),
        ("barrier=cattle_grid", None, None),
        ("barrier=toll_booth", False, 15.0),
        ("barrier=block", True, 0.0),
        ("barrier=border_control access=no", True, 0.0),
        ("highway=crossing", None, None),
    ],
)
def test_what_stands_on_the_road(tags: str, blocked: bool | None, delay_s: float | None) -> None:
    found = node(dict(tag.split("=") for tag in tags.split()), gate_s=30.0, toll_s=15.0)
    assert (None if found is None else found.blocked) == blocked
    assert (None if found is None else found.delay_s) == delay_s


@pytest.mark.parametrize(
    ("value", "kmh"),
    [
        ("50", 50.0),
        ("50 km/h", 50.0),
        ("30 mph", 48.28),  # 1 mile is 1.609344 km
        ("30mph", 48.28),
        ("10 knots", 18.52),
        ("walk", 7.0),
        ("CH:urban", 50.0),
        ("CH:rural", 80.0),
        ("CH:motorway", 120.0),
        ("DE:rural", 100.0),
        ("DE:zone30", 30.0),
        ("DE:zone:20", 20.0),
        ("GB:nsl_single", 96.0),
        ("RO:urban", 50.0),
        ("50;60", 50.0),
        ("none", None),
        ("signals", None),
        ("fast", None),
        ("0", None),
        ("-5", None),
        ("1e9", None),
        ("", None),
        (None, None),
    ],
)
def test_limits(value: str | None, kmh: float | None) -> None:
    assert limit_kmh(value) == (None if kmh is None else pytest.approx(kmh, abs=0.01))


@pytest.mark.parametrize(
    ("tags", "kmh"),
    [
        ("highway=primary", (75.0, 75.0)),
        ("highway=primary maxspeed=100", (100.0, 100.0)),
        ("highway=primary maxspeed:forward=60 maxspeed:backward=40", (60.0, 40.0)),
        ("highway=primary source:maxspeed=CH:urban", (50.0, 50.0)),
        ("highway=primary source:maxspeed=survey", (75.0, 75.0)),
        ("highway=tertiary surface=gravel", (25.0, 25.0)),
        ("highway=tertiary surface=gravel maxspeed=80", (70.0, 70.0)),
        ("highway=tertiary surface=compacted", (40.0, 40.0)),
        ("highway=tertiary smoothness=very_bad", (20.0, 20.0)),
        ("highway=track tracktype=grade1 surface=asphalt", (20.0, 20.0)),
        ("highway=track tracktype=grade2", (7.5, 7.5)),
        ("highway=track tracktype=grade2 maxspeed=80", (7.5, 7.5)),  # no road to be driven at 80
        ("highway=track", (2.5, 2.5)),
        ("highway=service service=driveway", (10.0, 10.0)),
        ("highway=motorway_link", (89.25, 89.25)),
        ("highway=secondary junction=roundabout", (30.0, 30.0)),
    ],
)
def test_paces(tags: str, kmh: tuple[float, float]) -> None:
    assert pace(dict(tag.split("=") for tag in tags.split())).rural_kmh == pytest.approx(kmh)


@pytest.mark.parametrize(
    ("value", "seconds"),
    [
        ("00:20", 1200.0),
        ("1:30", 5400.0),
        ("20", 1200.0),  # minutes
        ("00:05:30", 330.0),
        ("PT1H30M", 5400.0),  # ISO 8601
        ("P1D", 86_400.0),
        ("00:00", None),
        ("soon", None),
        ("P", None),
        (None, None),
    ],
)
def test_durations(value: str | None, seconds: float | None) -> None:
    assert duration_s(value) == seconds
