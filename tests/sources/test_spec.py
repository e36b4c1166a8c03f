"""What the plan may say of a source."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from decoders.fields import KNOWN
from decoders.readings import FieldOrder, GpsdRules, JsonNames, NmeaRules
from server.plan.file import parse
from server.plan.sources import NamesSection, SourceSection
from server.sources import KINDS, SourceSpec
from server.sources.table import TABLE

NAMES = JsonNames("lat", "lon")


def test_every_kind_has_its_parts() -> None:
    assert set(KINDS) == set(TABLE)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"kind": "smoke"}, "is not one of"),
        ({"kind": "kiss-tcp", "name": "a b"}, "no white space"),
        ({"kind": "kiss-tcp", "name": ""}, "no white space"),
        ({"kind": "nmea-tcp"}, "needs a host"),
        ({"kind": "tnc2-tcp", "host": "h"}, "needs a port"),
        ({"kind": "kiss-tcp", "port": 0}, "needs a port"),
        ({"kind": "kiss-tcp", "port": 70_000}, "needs a port"),
        ({"kind": "kiss-tcp", "host": "a\nb"}, "does not print"),
        ({"kind": "kiss-serial"}, "needs a device"),
        ({"kind": "kiss-serial", "device": "/dev/ttyUSB0", "baud": 0}, "baud"),
        ({"kind": "aprs-is", "host": "h"}, "callsign"),
        ({"kind": "aprs-is", "host": "h", "callsign": "A B"}, "callsign"),
        ({"kind": "aprs-is", "host": "h", "callsign": "N0CALL", "passcode": 99_999}, "passcode"),
        ({"kind": "aprs-is", "host": "h", "callsign": "N0CALL", "filter": "r/1\r\nx"}, "filter"),
        ({"kind": "kiss-udp"}, "needs a port"),
        ({"kind": "tnc2-serial"}, "needs a device"),
        ({"kind": "kiss-tcp", "kiss_on": ("KISS ON",)}, "kiss_on is for kiss-serial, not kiss-tcp"),
        ({"kind": "kiss-serial", "device": "/dev/x", "kiss_on": ("a\r",)}, "no line of a terminal"),
        ({"kind": "gpsd-tcp", "without_checksum": True}, "is for nmea-serial, nmea-tcp, nmea-udp"),
        ({"kind": "fields-udp", "port": 9000}, "needs fields"),
        ({"kind": "fields-udp", "port": 9000, "fields": ("time",)}, "fields need latitude_deg"),
        ({"kind": "json-udp", "port": 9000}, "needs names"),
        ({"kind": "json-mqtt", "names": NAMES}, "needs topic"),
        ({"kind": "json-http", "names": NAMES}, "needs token"),
        (
            {"kind": "json-tcp", "host": "h", "port": 1, "names": NAMES, "topic": "a"},
            "topic is for",
        ),
        ({"kind": "phone", "quiet_after_s": 0}, "quiet_after_s"),
        ({"kind": "phone", "quiet_after_s": float("nan")}, "quiet_after_s"),
    ],
)
def test_what_cannot_be_is_told(given: dict[str, Any], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        SourceSpec(**({"name": "s"} | given))


def test_the_internet_is_off_unless_the_plan_says_so() -> None:
    internet: dict[str, Any] = {"name": "s", "kind": "aprs-is", "host": "h", "callsign": "N0CALL"}
    assert SourceSpec(**internet).enabled is False
    assert SourceSpec(**internet, enabled=True).enabled is True
    assert SourceSpec("s", "phone").enabled is True


def test_places() -> None:
    assert SourceSpec("s", "gpsd-tcp").place == "127.0.0.1:2947"
    assert SourceSpec("s", "kiss-tcp", host="::1").place == "[::1]:8001"
    assert SourceSpec("s", "nmea-serial", device="/dev/x").place == "/dev/x at 4800 baud"


def test_how_a_source_is_read() -> None:
    udp: dict[str, Any] = {"kind": "fields-udp", "port": 9000, "altitude_above": "ellipsoid"}
    order = ("latitude_deg", "longitude_deg")
    assert SourceSpec("s", fields=order, **udp).reading == FieldOrder(order, "ellipsoid")
    assert SourceSpec("s", "json-udp", port=9000, names=NAMES).reading == NAMES
    assert SourceSpec("s", "nmea-udp", without_checksum=True).reading == NmeaRules()
    assert SourceSpec("s", "nmea-udp").reading is None
    assert SourceSpec("s", "gpsd-tcp", device="/dev/a").reading == GpsdRules("/dev/a")
    assert SourceSpec("s", "gpsd-tcp").reading is None


def test_port_of_a_broker() -> None:
    broker: dict[str, Any] = {"kind": "json-mqtt", "names": NAMES, "topic": "balloon/#"}
    assert SourceSpec("s", **broker).place == "127.0.0.1:1883 balloon/#"
    assert SourceSpec("s", tls=True, **broker).address == ("127.0.0.1", 8883)


README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


def test_every_kind_and_every_key_is_in_the_readme() -> None:
    rows = README.partition("### Sources")[2].partition("## Several laptops")[0]
    told = set(re.findall(r"`([\w-]+)`", rows)) | set(re.findall(r"`(\w+) = ", rows))
    told |= set(re.findall(r"^(\w+) = ", rows, re.MULTILINE))
    assert set(KINDS) <= told
    assert set(SourceSection.model_fields) - {"kind"} <= told
    for name in (*NamesSection.model_fields, *KNOWN):
        assert re.search(rf"\b{name}\b", rows), name


def test_the_readmes_examples_are_sound() -> None:
    text = README.partition("### Sources")[2].partition("```toml")[2].partition("```")[0]
    plan = parse('[flight]\nname = "x"\n[[trackers]]\nname = "x"\ncallsign = "x"\n' + text)
    assert set(plan.for_flight().readings) == {"rtty", "lora"}
