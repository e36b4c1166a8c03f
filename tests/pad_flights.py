"""Flights that wait on a pad like the real ones, and what is told of them.

Made by the rehearsal: 3 to 60 minutes of rest, at intervals from 1 Hz to 5 minutes, one to three
trackers, with and without a plan, carried, switched on indoors, settling, driven to the site, tested
on a line the day before.
"""

from __future__ import annotations

from collections import Counter
from typing import NamedTuple

import numpy as np

from server.flight.inputs import FlightPlan, LaunchPlan, Plan, Reception, TrackerPlan
from server.flight.mission import Mission
from server.flight.track.events import Event
from server.rehearsal.box import feel
from server.rehearsal.pad import before
from server.rehearsal.scenario import PadPart, Tracker, load
from server.rehearsal.trackers import Voice
from server.rehearsal.truth import Truth, make
from tests.rehearsed import LAG_S, heard_packets
from tests.seen import shown

INTERVALS_S = (1.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0, 60.0, 120.0, 300.0)
BEFORE: tuple[tuple[PadPart, ...], ...] = (
    (),
    ("carried",),
    ("settling",),
    ("indoors", "carried"),
    ("driven",),
    ("indoors", "settling", "rest", "driven", "rest", "carried"),
    ("tethered",),
    ("tethered", "driven", "rest"),
)
SKIES = ("demo", "calm", "early-burst", "jet")
LOSS = 0.05
LOOKED_EVERY_S = 60.0
CALLSIGNS = ("N0CALL-11", "N0CALL-12", "N0CALL-13")
_NEAR_S, _NEAR_BEACONS = 60.0, 3.0


class Pad(NamedTuple):
    """One made flight as heard."""

    truth: Truth
    plan: Plan
    interval_s: float
    receptions: list[Reception]


class Seen(NamedTuple):
    """What was told of it, at any moment."""

    followed: bool
    false: Counter[str]
    launch_delay_s: float | None
    false_alarms: list[str]


def make_pad(number: int) -> Pad:
    """The same number gives the same flight."""
    chance = np.random.default_rng([number, 77])
    scenario = load(SKIES[int(chance.integers(len(SKIES)))])
    rest_s = float(chance.uniform(180.0, 3_600.0))
    launch = scenario.launch.model_copy(update={"rest_s": rest_s})
    scenario = scenario.model_copy(update={"launch": launch, "after_s": 1_200.0})
    parts = BEFORE[int(chance.integers(len(BEFORE)))]
    truth = before(make(scenario, number), parts, number)
    interval_s = INTERVALS_S[number % len(INTERVALS_S)]
    box, count = feel(truth), int(chance.integers(1, 4))
    receptions: list[Reception] = []
    for k in range(count):
        sender = Tracker(
            name=CALLSIGNS[k], format="uncompressed", callsign=CALLSIGNS[k], interval_s=interval_s
        )
        voice = Voice(sender, truth, box, np.random.default_rng([number, 78, k]))
        times_s = np.arange(truth.start_s + k * interval_s / count, truth.end_s, interval_s)
        receptions += heard_packets(voice, CALLSIGNS[k], times_s, chance, LOSS)
    planned = LaunchPlan(*truth.at(truth.launch_s), truth.launch_s + 600.0)
    trackers = tuple(TrackerPlan(c, callsign=c) for c in CALLSIGNS[:count])
    with_plan = chance.random() < 0.7
    plan = Plan(
        flights=(
            FlightPlan(
                launch=planned if chance.random() < 0.7 else LaunchPlan(), trackers=trackers
            ),
        )
    )
    return Pad(
        truth, plan if with_plan else Plan(infer_trackers=True), interval_s, sorted(receptions)
    )


def follow(pad: Pad) -> Seen:
    """As it was heard, one reception after the other."""
    truth, flight = pad.truth, Mission(pad.plan)
    near_s = max(_NEAR_S, _NEAR_BEACONS * pad.interval_s) + LAG_S
    moments = {"launch": truth.launch_s, "burst": truth.burst_s, "landing": truth.landing_s}
    false: Counter[str] = Counter()
    told: dict[str, float] = {}
    alarms: dict[str, str] = {}
    last: tuple[Event, ...] = ()
    delay_s, looked_s = None, 0.0
    for reception in pad.receptions:
        flight.receive([reception])
        if flight.events() != last:
            last = flight.events()
            for event in last:
                true_s = moments.get(event.kind)
                if true_s is None or abs(event.time_s - true_s) > near_s + 60.0:
                    false[event.kind] += (
                        told.setdefault(f"{event.kind}{event.noticed_s}", 0.0) == 0.0
                    )
                    told[f"{event.kind}{event.noticed_s}"] = 1.0
                elif event.kind == "launch" and delay_s is None:
                    delay_s = event.noticed_s - truth.launch_s
        if reception.heard_at_s > looked_s:
            looked_s = reception.heard_at_s + LOOKED_EVERY_S
            for alarm in shown(flight)["alarms"]:
                alarms.setdefault(alarm["id"], f"{alarm['kind']} {alarm['facts']}")
    kinds = [event.kind for event in flight.events()]
    right = kinds == ["launch", "burst", "landing"] and flight.flights[0].track.phase() == "landed"
    expected = ("launch", "burst", "landed", "low", "tracker_lost")
    odd = [text for text in alarms.values() if text.split()[0] not in expected]
    return Seen(right and delay_s is not None, false, delay_s, odd)
