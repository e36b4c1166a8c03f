"""What the plan may say of a source."""

from __future__ import annotations

import pytest

from server.sources import KINDS, SourceSpec
from server.sources.spec import DEFAULTS
from server.sources.table import TABLE


def test_every_kind_has_its_parts():
    assert set(KINDS) == set(TABLE) == set(DEFAULTS)


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
        ({"kind": "phone", "quiet_after_s": 0}, "quiet_after_s"),
        ({"kind": "phone", "quiet_after_s": float("nan")}, "quiet_after_s"),
    ],
)
def test_what_cannot_be_is_told(given, words):
    with pytest.raises(ValueError, match=words):
        SourceSpec(**({"name": "s"} | given))


def test_the_internet_is_off_unless_the_plan_says_so():
    internet = {"name": "s", "kind": "aprs-is", "host": "h", "callsign": "N0CALL"}
    assert SourceSpec(**internet).enabled is False
    assert SourceSpec(**internet, enabled=True).enabled is True
    assert SourceSpec("s", "phone").enabled is True


def test_places():
    assert SourceSpec("s", "gpsd-tcp").place == "127.0.0.1:2947"
    assert SourceSpec("s", "kiss-tcp", host="::1").place == "[::1]:8001"
    assert SourceSpec("s", "nmea-serial", device="/dev/x").place == "/dev/x at 4800 baud"
