"""A plan with a mistake says where the mistake is."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from decoders.readings import FieldOrder, JsonNames
from server.plan.file import PlanError, load, parse

ROOT = Path(__file__).parent.parent.parent

GOOD = """
[flight]
name = "Tern 7"

[launch]
latitude_deg = 38.35
longitude_deg = -98.2
altitude_m = 560

[balloon]
burst_altitude_m = 30000

[descent]
mass_kg = 2.1
parachute_diameter_m = 1.8

[[trackers]]
name = "Main"
callsign = "N0CALL-11"
comment_pattern = '(?P<t>-?\\d+)T(?P<p>\\d+)P'
comment_scales = { t = [0.1, 0, "degC"], p = [0.1, 0, "hPa"] }

[[trackers]]
name = "Phone"
role = "phone"
source = "phone"
token = "a-long-enough-token"

[[sources]]
name = "tnc"
kind = "kiss-tcp"
host = "127.0.0.1"
port = 8001

[[sources]]
name = "phone"
kind = "phone"

[[vehicles]]
name = "Car 1"
callsign = "N0CALL-9"
own = true
"""

WRONG = [
    ("altitude_m = 560", "altitude_ft = 1837", "is altitude_m meant"),
    ("mass_kg = 2.1", "mass_g = 2100", "is mass_kg meant"),
    ("latitude_deg = 38.35", "latitude_deg = 138.35", "less than or equal to 90"),
    ("port = 8001", "port = 80010", "65535"),
    ("port = 8001", 'port = "usb"', "valid integer"),
    ('callsign = "N0CALL-11"', 'callsign = "N0CALL\\n"', "a name that prints"),
    ('callsign = "N0CALL-11"', f'callsign = "{"x" * 41}"', "at most 40 characters"),
    ('callsign = "N0CALL-11"', 'callsign = ""', "at least 1 character"),
    ("port = 8001", 'port = 8001\nkiss_on = ["KISS ON"]', "kiss_on is for kiss-serial"),
    ("port = 8001", 'port = 8001\nfields = ["time"]', "fields is for fields-tcp"),
    ('kind = "kiss-tcp"', 'kind = "kiss-tpc"', "kiss-serial"),
    ("burst_altitude_m = 30000", "burst_altitude_m = 98000", "45000"),
    ("comment_pattern = '(?P<t>-?\\d+)T", "comment_pattern = '(?P<t>-?\\d+T", "comment pattern"),
    ('source = "phone"', 'source = "fone"', "no source is named 'fone'"),
    ("parachute_diameter_m = 1.8", "", "go together"),
    ('token = "a-long-enough-token"', 'token = "aaaaaaaaaaaaaaaa"', "6 different characters"),
    ('name = "Phone"', 'name = "Main"', "tracker of 'Tern 7' 'Main' is there twice"),
]


def test_a_good_plan() -> None:
    plan = parse(GOOD)
    flight = plan.for_flight()
    assert flight.flights[0].launch.altitude_m == 560
    assert flight.trackers[0].comment_scales["t"] == (0.1, 0, "degC")
    assert [s.kind for s in plan.source_specs()] == ["kiss-tcp", "phone"]
    assert plan.phone_tokens() == {"a-long-enough-token": "phone"}


@pytest.mark.parametrize(("right", "wrong", "words"), WRONG, ids=[w[1][:30] or w[0] for w in WRONG])
def test_a_mistake_is_named_with_its_line(right: str, wrong: str, words: str) -> None:
    text = GOOD.replace(right, wrong)
    assert text != GOOD
    with pytest.raises(PlanError) as caught:
        parse(text, "tern.toml")
    message = str(caught.value)
    assert words in message
    if wrong:
        line = text[: text.index(wrong)].count("\n") + 1
        named = {int(n) for n in re.findall(r"tern\.toml, line (\d+)", message)}
        section = text[: text.index(wrong)].rindex("\n[")
        heading = text[: section + 1].count("\n") + 1
        assert named & {line, heading}, message


def test_not_toml_and_not_there(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match=r"not TOML.*line 2"):
        parse("[flight]\nname = Tern", "x.toml")
    with pytest.raises(PlanError, match="cannot be read"):
        load(tmp_path / "none.toml")
    with pytest.raises(PlanError, match="flight"):
        parse("")


@pytest.mark.parametrize("text", ["a = " + "[" * 5_000, "x = {" * 3_000, "a = " + "1" * 5_000])
def test_a_plan_that_tomllib_itself_gives_up_on_is_told(text: str) -> None:
    with pytest.raises(PlanError, match="not TOML"):
        parse(text)


def test_internet_is_off_unless_the_plan_says_so() -> None:
    feed = (
        '\n[[sources]]\nname = "net"\nkind = "aprs-is"\nhost = "127.0.0.1"\ncallsign = "N0CALL"\n'
    )
    off = parse(GOOD + feed).source_specs()[-1]
    on = parse(GOOD + feed + "enabled = true\n").source_specs()[-1]
    assert not off.enabled
    assert on.enabled


def test_the_plan_in_the_readme_is_sound() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    example, *_ = re.findall(r"```toml\n(.*?)```", readme, re.DOTALL)
    plan = parse(example, "README.md")
    for section in ("launch", "balloon", "descent", "trackers", "sources", "vehicles", "alarms"):
        assert f"[{section}]" in example, "every section stands in the example"
    assert plan.for_flight().trackers


LORA = """
[[sources]]
name = "lora"
kind = "fields-udp"
port = 9000
fields = ["callsign", "latitude_deg", "longitude_deg", "altitude_m"]
"""
WEB = """
[[sources]]
name = "web"
kind = "json-http"
token = "another-long-token"

[sources.names]
latitude_deg = "decoded.lat"
longitude_deg = "decoded.lon"
altitude_ft = "decoded.alt"
altitude_above = "ellipsoid"
callsign = "device.id"
sensors = { outside = ["decoded.temp", "degC"] }
"""


def test_how_sources_are_read_reaches_the_flight() -> None:
    plan = parse(GOOD.replace('callsign = "N0CALL-11"', 'callsign = "balloon a"') + LORA + WEB)
    assert plan.trackers[0].callsign == "balloon a"
    readings = plan.for_flight().readings
    assert readings["lora"] == FieldOrder(
        ("callsign", "latitude_deg", "longitude_deg", "altitude_m")
    )
    assert readings["web"] == JsonNames(
        "decoded.lat",
        "decoded.lon",
        altitude_ft="decoded.alt",
        altitude_above="ellipsoid",
        callsign="device.id",
        sensors={"outside": ("decoded.temp", "degC")},
    )
    assert set(readings) == {"lora", "web"}


def test_another_stations_source_is_read_but_not_opened() -> None:
    station = '[station]\nname = "car-1"\n'
    theirs = LORA.replace('"lora"', '"car-2/lora"')
    plan = parse(station + GOOD + LORA + theirs)
    assert set(plan.for_flight().readings) == {"car-1/lora", "car-2/lora"}
    assert [spec.name for spec in plan.source_specs()] == ["tnc", "phone", "lora"]
    for text, words in (
        (GOOD + theirs, "/ is for the sources of other stations"),
        (station.replace("car-1", "car-2") + GOOD + theirs, "/ is for the sources of other"),
        (station + GOOD.replace('name = "tnc"', 'name = "car-2/tnc"'), "needs fields or names"),
    ):
        with pytest.raises(PlanError, match=words):
            parse(text)


@pytest.mark.parametrize(
    ("right", "wrong", "words"),
    [
        (
            'latitude_deg = "decoded.lat"',
            "",
            "line 49: sources.3.names.latitude_deg: Field required",
        ),
        ('altitude_ft = "decoded.alt"', 'altitude_feet = "x"', "is altitude_ft meant"),
        ('altitude_above = "ellipsoid"', 'altitude_m = "x"', "altitude_m or altitude_ft, not both"),
        ('altitude_above = "ellipsoid"', 'altitude_above = "sea"', "'msl' or 'ellipsoid'"),
        ('token = "another-long-token"', "", "needs token"),
    ],
)
def test_a_mistake_in_the_names_is_told(right: str, wrong: str, words: str) -> None:
    with pytest.raises(PlanError) as caught:
        parse(GOOD + WEB.replace(right, wrong))
    assert words in str(caught.value)


@pytest.mark.parametrize("spelling", ["n0call-11", "N0Call-11"])
def test_one_name_in_two_spellings_is_there_twice(spelling: str) -> None:
    other = f'[[trackers]]\nname = "Other"\ncallsign = "{spelling}"\n'
    with pytest.raises(PlanError, match="is there twice"):
        parse(GOOD + other)


@pytest.mark.parametrize("heard", ['callsign = "n0call-11"', 'source = "phone"'])
def test_a_car_does_not_go_by_a_trackers_name(heard: str) -> None:
    with pytest.raises(PlanError, match=r"'Car 2'.*is a tracker's, not a car's"):
        parse(GOOD + f'[[vehicles]]\nname = "Car 2"\n{heard}\n')


def test_a_byte_order_mark_is_no_part_of_the_plan(tmp_path: Path) -> None:
    plan = tmp_path / "tern.toml"
    plan.write_text(GOOD, encoding="utf-8-sig")
    assert load(plan).name == "Tern 7"


def test_one_of_several_receivers_may_be_named() -> None:
    gps = '[[sources]]\nname = "gps"\nkind = "gpsd-tcp"\ndevice = "/dev/ttyACM0"\n'
    car = '[[vehicles]]\nname = "Car 2"\nsource = "gps@ttyACM1"\n'
    assert parse(GOOD + gps + car).source_specs()[-1].device == "/dev/ttyACM0"


def test_a_plan_without_a_flight_says_what_is_missing() -> None:
    with pytest.raises(PlanError, match=r"\[flight\] with a name is missing"):
        parse("[alarms]\nlow_height_m = 500\n")
    with pytest.raises(PlanError, match=r"\[\[trackers\]\] are missing"):
        parse('[flight]\nname = "x"\n')
