"""Packets of a rehearsed voice as a station hears them, and balloons filled as loosely as a plan says."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import numpy.typing as npt

from decoders import aprs_encode
from server.flight.inputs import BalloonPlan, Reception
from server.rehearsal.scenario import Scenario
from server.rehearsal.trackers import Voice

Array = npt.NDArray[np.float64]
LAG_S = 1.6  # from a fix until it is heard


def heard_packets(
    voice: Voice,
    callsign: str,
    times_s: Array,
    chance: np.random.Generator,
    loss: float,
    spoilt_m: Callable[[float], float] = lambda _: 0.0,
) -> Iterator[Reception]:
    """Uncompressed APRS positions sent at `times_s`, of which the share `loss` is not heard.

    `spoilt_m` is added to the altitude, by UTC seconds.
    """
    for time_s in times_s.tolist():
        if not voice.on_air(time_s) or chance.random() < loss:
            continue
        fix = voice.fix(time_s)
        altitude_m = None if fix.altitude_m is None else fix.altitude_m + spoilt_m(time_s)
        said = aprs_encode.uncompressed(
            fix.latitude_deg,
            fix.longitude_deg,
            time_s=fix.time_s,
            altitude_m=altitude_m,
            dao="base91",
        )
        payload = callsign.encode() + b">APZLWD:" + said
        yield Reception(round(1_000 * (time_s + LAG_S)), "tnc", "tnc2", payload)


def filled(scenario: Scenario, planned: BalloonPlan, seed: int) -> Scenario:
    """With a lift that is off by as much as the plan says of the climb rate.

    At a given volume the rate goes with the root of the free lift (drag with the square of speed).
    """
    off = planned.ascent_rate_sigma_ms / planned.ascent_rate_ms
    off *= float(np.random.default_rng([seed, 78]).standard_normal())
    lift_kg = scenario.balloon.free_lift_kg * max(1.0 + off, 0.4) ** 2
    lift = scenario.balloon.model_copy(update={"free_lift_kg": lift_kg})
    return scenario.model_copy(update={"balloon": lift})
