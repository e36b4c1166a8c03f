"""A plan with a mistake says where the mistake is."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from server.plan import PlanError, load, parse

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
    ('callsign = "N0CALL-11"', 'callsign = "N0CALL-77"', "pattern"),
    ('kind = "kiss-tcp"', 'kind = "kiss-tpc"', "kiss-serial"),
    ("burst_altitude_m = 30000", "burst_altitude_m = 98000", "45000"),
    ("comment_pattern = '(?P<t>-?\\d+)T", "comment_pattern = '(?P<t>-?\\d+T", "comment pattern"),
    ('source = "phone"', 'source = "fone"', "no source is named 'fone'"),
    ("parachute_diameter_m = 1.8", "", "go together"),
]


def test_a_good_plan() -> None:
    plan = parse(GOOD)
    flight = plan.for_flight()
    assert flight.launch.altitude_m == 560
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
