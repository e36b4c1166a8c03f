"""What trackers send: every format can be read again, every fault shows in the packets."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pytest

from decoders.aprs import decode_information
from decoders.reports import PositionReport, SensorReport, SensorScale, Transmission
from server.rehearsal.box import feel
from server.rehearsal.faults import CEILING_M
from server.rehearsal.scenario import Fault, Tracker, load
from server.rehearsal.trackers import Sent, Voice
from server.rehearsal.truth import Truth, distance_m, make

SCENARIO = load("calm")
TRUTH: Truth = make(SCENARIO, 101)
BOX = feel(TRUTH)


def voice(*faults: Fault, **changes: object) -> Voice:
    plan = Tracker(
        name="Main", format="compressed", callsign="N0CALL-11", interval_s=30.0, faults=faults
    ).model_copy(update=changes)
    return Voice(plan, TRUTH, BOX, np.random.default_rng(7))


def positions(sent: Iterable[Sent]) -> list[tuple[Sent, PositionReport]]:
    found = []
    for packet in sent:
        transmission = Transmission(
            packet.sender, packet.destination, packet.path, packet.information
        )
        for report in decode_information(transmission, packet.time_s):
            if isinstance(report, PositionReport):
                found.append((packet, report))
    return found


@pytest.mark.parametrize(
    ("kind", "within_m"), [("compressed", 60.0), ("uncompressed", 60.0), ("mic-e", 80.0)]
)
def test_each_format_says_where_the_box_is(kind: str, within_m: float) -> None:
    heard = positions(voice(format=kind).packets())
    assert len(heard) > 250
    for packet, report in heard:
        # Mic-E has no time of its own: the box moves while the tracker waits for the channel
        at_s = report.time_s if report.time_s is not None else packet.time_s
        true = TRUTH.at(at_s)
        moved_m = 0.0 if report.time_s is not None else 7.0 * 60.0
        assert distance_m((report.latitude_deg, report.longitude_deg), true) < within_m + moved_m
        assert report.altitude_m == pytest.approx(true[2], abs=60.0 + moved_m)


def test_telemetry_comes_with_its_scales() -> None:
    kinds = {SensorReport: 0, SensorScale: 0}
    for packet in voice(telemetry=True).packets():
        transmission = Transmission(packet.sender, packet.destination, (), packet.information)
        for report in decode_information(transmission, packet.time_s):
            if type(report) in kinds:
                kinds[type(report)] += 1
    assert kinds[SensorReport] > 250
    assert kinds[SensorScale] >= 9


def test_silence() -> None:
    fault = Fault(kind="silent", event="burst", after_s=60.0, lasts_s=600.0)
    from_s, to_s = TRUTH.burst_s + 60.0, TRUTH.burst_s + 660.0
    moments = [packet.time_s for packet in voice(fault).packets()]
    assert not [t for t in moments if from_s + 7.0 <= t < to_s]
    assert [t for t in moments if t > to_s]


def test_a_frozen_receiver_repeats_itself_while_the_packets_go_on() -> None:
    fault = Fault(kind="frozen", event="launch", after_s=1_000.0, lasts_s=300.0)
    middle = TRUTH.launch_s + 1_150.0
    held = [
        report
        for packet, report in positions(voice(fault).packets())
        if abs(packet.time_s - middle) < 130.0
    ]
    assert len(held) >= 8
    assert len({(r.latitude_deg, r.longitude_deg, r.altitude_m) for r in held}) == 1
    assert len({r.time_s for r in held}) == len(held)


def test_a_ceiling_holds_above_18_km_and_lets_go_below() -> None:
    heard = positions(voice(Fault(kind="ceiling")).packets())
    assert max(report.altitude_m or 0.0 for _, report in heard) < CEILING_M + 60.0
    last = heard[-1][1]
    assert last.altitude_m == pytest.approx(TRUTH.landing[2], abs=60.0)


def test_wrong_digits() -> None:
    fault = Fault(kind="wrong_digit", event="launch", after_s=600.0, lasts_s=1_800.0)
    far = [
        packet.time_s
        for packet, report in positions(voice(fault).packets())
        if distance_m((report.latitude_deg, report.longitude_deg), TRUTH.at(report.time_s or 0.0))
        > 3_000.0
        or abs((report.altitude_m or 0.0) - TRUTH.at(report.time_s or 0.0)[2]) > 500.0
    ]
    assert len(far) >= 5
    assert all(0.0 <= t - TRUTH.launch_s - 600.0 < 1_810.0 for t in far)


def test_reboot_is_a_silence_and_then_no_fix() -> None:
    fault = Fault(kind="reboot", event="launch", after_s=600.0, lasts_s=120.0)
    start_s = TRUTH.launch_s + 600.0
    near = [
        (packet.time_s - start_s, report.latitude_deg)
        for packet, report in positions(voice(fault, interval_s=10.0).packets())
        if 7.0 <= packet.time_s - start_s < 200.0  # what waited for the channel is out
    ]
    assert min(t for t, _ in near) > 40.0
    woken = [lat for t, lat in near if 52.0 < t < 110.0]  # 5 or 6 as the interval falls
    assert len(woken) >= 5
    assert woken == pytest.approx([0.0] * len(woken), abs=0.001)
    assert all(lat > 30.0 for t, lat in near if t > 130.0)


def test_a_low_battery_costs_volts_and_power() -> None:
    fault = Fault(kind="low_battery", event="launch", after_s=600.0)
    powers = {
        packet.power_w
        for packet in voice(fault, nulls=0.0).packets()
        if packet.time_s > TRUTH.launch_s + 700.0
    }
    assert max(powers) == pytest.approx(0.05)
