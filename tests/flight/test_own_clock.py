"""A track where the station's own clock is wrong, or is set right in mid flight."""

from __future__ import annotations

import pytest

from server.flight.inputs import Reception
from server.flight.mission import Mission
from tests.flight.test_track import PLAN, errors_m, fly
from tests.flights import T0, packet
from tests.seen import shown


def shifted(given: list[Reception], by_s: float) -> list[Reception]:
    """The same, heard by a station whose clock is `by_s` ahead."""
    return [
        Reception(r.heard_at_ms + round(by_s * 1000), r.source, r.wire, r.payload) for r in given
    ]


def untimed(elapsed_s: float) -> Reception:
    """The backup's packet without a time in it."""
    heard = packet(elapsed_s, "N0CALL-12")
    head, _, said = heard.payload.partition(b":/")
    plain = head + b":!" + said[7:]
    return Reception(heard.heard_at_ms, heard.source, heard.wire, plain)


@pytest.mark.parametrize("by_s", [-420.0, 300.0])
def test_a_wrong_station_clock_is_seen_and_put_right(by_s: float) -> None:
    given = [packet(t) for t in range(0, 3_000, 30)] + [untimed(t) for t in range(10, 3_000, 60)]
    flight = fly(shifted(sorted(given), by_s))
    state = shown(flight)
    assert state["problems"][0]["kind"] == "own_clock"
    assert state["problems"][0]["ahead_s"] == pytest.approx(by_s, abs=15.0)
    assert abs(flight.now_s - (T0 + 2_971.5)) < 5.0
    assert errors_m(flight, 2_970.0)[0] < 30.0
    # only what came before the error could be seen
    assert sum(v.reason is not None for v in flight.flights[0].track.verdicts()) <= 2
    backwards = Mission(PLAN)
    backwards.receive(shifted(sorted(given), by_s)[::-1])
    assert backwards.flights[0].track.records() == flight.flights[0].track.records()


def test_a_clock_set_right_in_mid_flight() -> None:
    given = sorted(
        [packet(t) for t in range(0, 3_000, 30)] + [untimed(t) for t in range(10, 3_000, 60)]
    )
    wrong_until = len(given) // 2
    heard = shifted(given[:wrong_until], -600.0) + given[wrong_until:]
    flight = fly(heard)
    assert shown(flight)["problems"] == []
    assert errors_m(flight, 2_970.0)[0] < 30.0
    refused = [
        r
        for r, v in zip(
            flight.flights[0].track.records(), flight.flights[0].track.verdicts(), strict=True
        )
        if v.reason
    ]
    assert len(refused) <= 4  # untimed ones before the change was understood


@pytest.mark.parametrize(("step_s", "within_m"), [(0.5, 30.0), (1.0, 30.0), (5.0, 60.0)])
def test_a_backlog_heard_at_once_is_no_wrong_clock(step_s: float, within_m: float) -> None:
    """Forty minutes of packets, kept back by a receiver that stalled, come within two seconds."""
    count = round(2_400.0 / step_s)
    given = [packet(i * step_s) for i in range(count)]
    now_ms = given[-1].heard_at_ms
    heard = [
        Reception(now_ms + 2_000 * i // count, one.source, one.wire, one.payload)
        for i, one in enumerate(given)
    ]
    flight = fly(heard)
    assert [p["kind"] for p in shown(flight)["problems"]] == []
    assert abs(flight.now_s - heard[-1].heard_at_s) < 1.0
    assert errors_m(flight, 2_399.0)[0] < within_m
