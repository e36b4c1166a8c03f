"""Alarms of silence on the real flights: how many, and how many that nobody needed.

An alarm is `short` when the tracker was heard again within two of its intervals, and `unfounded`
when it had not even been unheard for the four intervals that the plan promises. The interval is the
median of what lies between two hearings, whatever the tracker's own estimate is.
"""

from __future__ import annotations

import statistics
from itertools import pairwise
from typing import Any

import numpy as np

from server.flight.mission import Mission
from server.flight.packets.beacon_health import TrackerHealth
from server.flight.packets.senders import Sender
from server.journal.recording import inferred_plan, read_recording
from tests.flights import real_logs, receptions

_PLANNED_INTERVALS = 4.0
_FIRST = 10  # packets that the delays leave out


def run() -> dict[str, Any]:
    """Per flight; and how many intervals a true silence would last before it is told."""
    alarms = short = unfounded = 0
    delays: list[float] = []
    logs = real_logs()
    for path in logs:
        flight = Mission(inferred_plan(read_recording(path)))
        flight.receive(list(receptions(path)))
        for name in flight.trackers:
            sender = flight.senders[name]
            interval_s = usual_interval_s(sender)
            for silence in sender.health.silences(flight.now_s):
                alarms += 1
                if silence.heard_again_s is None:
                    continue
                unheard_s = silence.heard_again_s - silence.last_heard_s
                short += silence.heard_again_s - silence.silent_from_s < 2.0 * interval_s
                unfounded += unheard_s < _PLANNED_INTERVALS * interval_s
            delays += _delays(sender, interval_s)
    flights = len(logs)
    return {
        "flights": len(logs),
        "alarms_per_flight": alarms / flights,
        "short_per_flight": short / flights,
        "unfounded_per_flight": unfounded / flights,
        "delay_intervals": {
            "median": float(np.median(delays)),
            "p95": float(np.quantile(delays, 0.95)),
        }
        if delays
        else None,
    }


def _delays(sender: Sender, interval_s: float) -> list[float]:
    """Intervals until it is told, if the tracker had fallen silent for good after each packet."""
    health, delays = TrackerHealth(_PLANNED_INTERVALS), []
    for packet in sender.packets:
        health.add(packet.first_heard_s)
        delays.append(health.threshold_s() / interval_s)
    return delays[_FIRST:]


def usual_interval_s(sender: Sender) -> float:
    """Median between two hearings, of those more than a second apart."""
    heard = [packet.first_heard_s for packet in sender.packets]
    gaps = [b - a for a, b in pairwise(heard) if b - a > 1.0]
    return statistics.median(gaps) if gaps else 60.0
