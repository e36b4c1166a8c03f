"""A made flight on disk: the text log, its plan and the truth beside it.

The log's line form is that of replay_logs; it is written here again, because the rehearsal shares
no code with the station, and tests/rehearsal/test_record.py holds the two together.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import orjson

from decoders.reports import Wire
from decoders.wires import WIRES
from server.rehearsal.flight import Flown, Ours
from server.rehearsal.plan_text import plan_text
from server.rehearsal.scenario import Scenario
from server.rehearsal.truth import distance_m

TRUTH_EVERY_S = 60


def rfc3339(time_s: float) -> str:
    """UTC with milliseconds."""
    moment = datetime.fromtimestamp(round(time_s, 3), UTC)
    return f"{moment:%Y-%m-%dT%H:%M:%S}.{moment.microsecond // 1000:03d}Z"


def log_line(heard_at_ms: int, source: str, wire: Wire, payload: bytes) -> str:
    """One reception without its line end."""
    if WIRES[wire].binary:
        text = payload.hex()
    else:
        text = "".join(
            chr(byte)
            if 0x20 <= byte <= 0x7E and not (byte == 0x5C and payload[i + 1 : i + 2] == b"x")
            else f"\\x{byte:02x}"
            for i, byte in enumerate(payload)
        )
    return f"{rfc3339(heard_at_ms / 1000)} {source} {wire} {text}"


def header(scenario: Scenario, seed: int) -> list[str]:
    """What, where, when, with which devices, and that it is invented."""
    devices = [f"{t.name} {t.callsign or t.source} ({t.format})" for t in scenario.trackers]
    devices += [f"{s.callsign} {s.place}" for s in scenario.stations]
    devices += [f"{c.name} {c.callsign or c.source or ''}".strip() for c in scenario.cars]
    return [
        f"# name: {scenario.flight}",
        f"# what: {scenario.title}",
        f"# where: {scenario.launch.place}",
        f"# when: {scenario.launch.time.astimezone(UTC):%Y-%m-%d %H:%M} UTC",
        f"# devices: {', '.join(devices)}",
        f"# mass_kg: {scenario.balloon.payload_kg:g}",
        f"# parachute_diameter_m: {scenario.parachute.diameter_m:g}",
        f"# notes: {scenario.words}",
        f"# invented: every flight, team, box and packet here is made by the rehearsal, seed {seed}",
    ]


def write(flown: Flown, log: Path) -> list[Path]:
    """Log, plan (.toml) and truth (.truth.json) side by side; the paths written."""
    lines = header(flown.scenario, flown.seed)
    lines += [log_line(*reception) for reception in flown.receptions]
    log.write_bytes(("\n".join(lines) + "\n").encode("ascii"))
    plan = log.with_suffix(".toml")
    plan.write_text(plan_text(flown.scenario), encoding="utf-8")
    truth = log.with_suffix(".truth.json")
    truth.write_bytes(orjson.dumps(truth_of(flown)) + b"\n")
    return [log, plan, truth]


def truth_of(flown: Flown) -> dict[str, Any]:
    """Events, faults and the true track once a minute, ready for JSON; of `others` of ours as well."""
    first, *others = flown.ours
    found = {"scenario": flown.scenario.title, "seed": flown.seed, **_of_flight(first)}
    if others:
        found["others"] = [{"flight": ours.flight, **_of_flight(ours)} for ours in others]
    return found


def _of_flight(ours: Ours) -> dict[str, Any]:
    truth = ours.truth
    launch = truth.at(truth.launch_s)
    return {
        "events": [
            {"kind": kind, "time": rfc3339(time_s), **_place(truth.at(time_s))}
            for kind, time_s in (
                ("launch", truth.launch_s),
                ("burst", truth.burst_s),
                ("landing", truth.landing_s),
            )
        ],
        "in_water": truth.lake is not None,
        "fall_speed_factor": round(truth.parachute_factor, 3),
        "distance_m": round(distance_m(launch, truth.landing)),
        "faults": [
            {
                "tracker": fault.tracker,
                "kind": fault.kind,
                "from": rfc3339(fault.from_s),
                "to": None if fault.to_s > truth.end_s else rfc3339(fault.to_s),
            }
            for fault in ours.faults
        ],
        "track_fields": ["time", "latitude_deg", "longitude_deg", "altitude_m"],
        "track": [
            [rfc3339(time_s), round(at[0], 5), round(at[1], 5), round(at[2], 1)]
            for time_s in range(int(truth.start_s), int(truth.end_s) + 1, TRUTH_EVERY_S)
            for at in (truth.at(time_s),)
        ],
    }


def _place(at: tuple[float, float, float]) -> dict[str, float]:
    return {
        "latitude_deg": round(at[0], 5),
        "longitude_deg": round(at[1], 5),
        "altitude_m": round(at[2], 1),
    }
