"""Mutated packets of every wire through whole flights: what the bench and its short test share.

Each flight has good packets of a made flight and, between them, packets with bits flipped, cut, joined
with halves of others, with numbers replaced by extremes, and repeated; NMEA mostly with its checksum
made right again, or nothing would come through.
"""

from __future__ import annotations

import math
import random
import re
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any

from decoders.decode import decode
from decoders.nmea import sentence
from decoders.reports import Wire
from decoders.wires import WIRES
from server.flight.inputs import (
    FlightPlan,
    LaunchPlan,
    Plan,
    Reception,
    Tick,
    TrackerPlan,
    VehiclePlan,
)
from server.flight.landing.predict import predict
from server.flight.mission import Mission
from tests.decoders.corpus import payloads
from tests.decoders.fuzz import mutations
from tests.flights import LAUNCH, T0, packet
from tests.seen import shown

SLOW_S = 0.020
SLICE_STEPS = 8  # of a station (station.py)
STEP_S = 2.0  # between two packets
_SNAPSHOT_EVERY = 250
_EXTREMES = [
    b"1e155",
    b"1e308",
    b"-1e308",
    b"1e999",
    b"nan",
    b"inf",
    b"-0.0",
    b"9223372036854775808",
    b"9" * 400,
    b"-1",
    b"0",
    b"999999",
    b"000000",
    b"1e-320",
]
_NUMBER = re.compile(rb"-?\d+(?:\.\d+)?")
_PLAN = Plan(
    flights=(
        FlightPlan(
            launch=LaunchPlan(*LAUNCH),
            trackers=(
                TrackerPlan(
                    "Main",
                    "N0CALL-11",
                    comment_pattern=r"(?P<t>-?\d+)T(?P<p>\d+)P",
                    comment_scales={"p": (0.1, 0.0, "hPa")},
                ),
                TrackerPlan("Backup", "N0CALL-12"),
                TrackerPlan("Wire", source="wire"),
                TrackerPlan("Phone", source="phone", role="phone"),
            ),
        ),
    ),
    vehicles=(VehiclePlan("Car", source="gps", own=True), VehiclePlan("Car 2", "N0CALL-7")),
)
PLANS = (
    _PLAN,
    Plan(infer_trackers=True),
    replace(_PLAN, station="car-1"),
)


@dataclass
class Found:
    """What went wrong. `slowest_s`: processor time for which one packet held the loop; `slowest_whole_s`:
    of all the work that it made, which goes on in slices."""

    packets: int = 0
    exceptions: Counter[str] = field(default_factory=Counter)
    faults_in_decoders: Counter[str] = field(default_factory=Counter)
    not_finite: Counter[str] = field(default_factory=Counter)
    unusable: int = 0
    slow: int = 0
    slowest_s: float = 0.0
    slowest_packet: str = ""
    slowest_whole_s: float = 0.0
    slow_wholes: int = 0
    slowest_snapshot_s: float = 0.0


def receptions(seed: int, packets: int, named: bool) -> Iterator[Reception]:
    """Of one flight: every third one good."""
    chance = random.Random(seed)
    good = payloads()
    wires = {wire: _changed(good[wire], wire, chance) for wire in WIRES}
    last = packet(0.0, source="tnc")
    for i in range(packets):
        elapsed_s = STEP_S * i
        if i % 3 == 0:
            callsign = "N0CALL-11" if i % 2 else "N0CALL-12"
            one = packet(elapsed_s, callsign, source="tnc")
        elif chance.random() < 0.1:
            one = replace(last, heard_at_ms=round(1000 * (T0 + elapsed_s)))
        else:
            wire: Wire = chance.choice(sorted(WIRES))
            payload = next(wires[wire])
            if wire in ("tnc2", "kiss") and chance.random() < 0.5:
                wire, payload = "tnc2", _extreme(last.payload, chance)
            source = {"gpsd": "gps", "nmea": "wire", "phone": "phone"}.get(wire, "tnc")
            one = Reception(round(1000 * (T0 + elapsed_s)), source, wire, payload)
        if one.wire == "tnc2":
            last = one
        if named and one.wire != "phone":
            one = replace(one, source=f"car-{chance.choice('112')}/{one.source}")
        yield one


def _changed(good: list[bytes], wire: Wire, chance: random.Random) -> Iterator[bytes]:
    for mutated in mutations(good, chance.randrange(1 << 30)):
        data = _extreme(chance.choice(good), chance) if chance.random() < 0.5 else mutated
        if wire == "nmea" and chance.random() < 0.7:
            content = data.partition(b"$")[2].rpartition(b"*")[0]
            if content.isascii():
                yield sentence(content.decode("ascii"))
                continue
        yield data


def _extreme(data: bytes, chance: random.Random) -> bytes:
    """One or two numbers replaced."""
    for _ in range(chance.randint(1, 2)):
        numbers = list(_NUMBER.finditer(data))
        if numbers:
            place = chance.choice(numbers)
            data = data[: place.start()] + chance.choice(_EXTREMES) + data[place.end() :]
    return data


def fly(seed: int, packets: int, found: Found) -> Mission:
    """One flight; what is found is counted in `found`."""
    plan = PLANS[seed % len(PLANS)]
    flight = Mission(plan)
    for i, one in enumerate(receptions(seed, packets, bool(plan.station))):
        found.packets += 1
        problem = decode(one.wire, one.payload, one.heard_at_s, one.source).problem or ""
        if "fault in the decoder" in problem:
            found.faults_in_decoders[f"{problem} on {one.payload!r}"[:200]] += 1
        try:
            _take(flight, one, found)
            if i % _SNAPSHOT_EVERY == _SNAPSHOT_EVERY - 1:
                flight.apply(Tick(one.heard_at_s))
                _look(flight, found)
        except Exception as fault:
            found.exceptions[f"{type(fault).__name__}: {fault}"[:200]] += 1
    try:
        question = flight.flights[0].landing_question()
        landing = None if question is None else predict(question)
        pair = None if question is None or landing is None else (question, landing)
        _finite("state", shown(flight, pair), found)
    except Exception as fault:
        found.exceptions[f"landing: {type(fault).__name__}: {fault}"[:200]] += 1
    found.unusable += flight.counts.unusable
    return flight


def _take(flight: Mission, one: Reception, found: Found) -> None:
    """As a live station does: booked, then worked on in slices."""
    began_s = time.process_time()
    flight.book([one])
    longest_s = whole_s = time.process_time() - began_s
    while flight.pending:
        began_s = time.process_time()
        flight.work(SLICE_STEPS)
        took_s = time.process_time() - began_s
        longest_s, whole_s = max(longest_s, took_s), whole_s + took_s
    if longest_s > found.slowest_s:
        found.slowest_s, found.slowest_packet = longest_s, f"{one.wire} {one.payload[:200]!r}"
    found.slow += longest_s > SLOW_S
    found.slowest_whole_s = max(found.slowest_whole_s, whole_s)
    found.slow_wholes += whole_s > SLOW_S


def _look(flight: Mission, found: Found) -> None:
    began_s = time.process_time()
    state = shown(flight)
    found.slowest_snapshot_s = max(found.slowest_snapshot_s, time.process_time() - began_s)
    _finite("state", state, found)


def _finite(name: str, value: Any, found: Found) -> None:
    if isinstance(value, dict):
        for key, one in value.items():
            _finite(f"{name}.{key}", one, found)
    elif isinstance(value, list | tuple):
        for one in value:
            _finite(name, one, found)
    elif isinstance(value, float) and not math.isfinite(value):
        found.not_finite[name] += 1
