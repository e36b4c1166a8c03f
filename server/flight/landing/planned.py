"""The landing of a flight that has not begun: the same question as in flight, asked from the plan alone."""

from __future__ import annotations

import numpy as np

from server.flight.inputs import AvoidArea, FlightPlan
from server.flight.landing.measured_winds import MeasuredWinds
from server.flight.landing.question import (
    GROUND_SIGMA_M,
    TERRAIN_SIGMA_M,
    Forecast,
    Ground,
    LandingQuestion,
    Terrain,
)
from server.flight.physics.geodesy import LocalFrame
from server.flight.track.kalman import Axis
from server.flight.track.modes import Motion

_PLACE_SIGMA_M = 30.0  # of where the box stands about the site; our choice


def planned_question(
    plan: FlightPlan,
    avoid: tuple[AvoidArea, ...] = (),
    terrain: Terrain | None = None,
    forecast: Forecast | None = None,
    winds: tuple[MeasuredWinds, ...] = (),
    number: int = 0,
    now_s: float | None = None,
) -> LandingQuestion | None:
    """As of `now_s`, or of the planned launch; the box rests until that launch, or goes up now if it is over.

    None where the plan does not say where it stands, or neither moment is known.
    """
    launch = plan.launch
    if launch.latitude_deg is None or launch.longitude_deg is None or launch.altitude_m is None:
        return None
    at_s = launch.time_s if now_s is None else now_s
    if at_s is None:
        return None
    ground = Ground(launch.altitude_m, GROUND_SIGMA_M)
    if terrain is not None:
        here_m = terrain(launch.latitude_deg, launch.longitude_deg)
        if here_m is not None:
            ground = Ground(here_m, TERRAIN_SIGMA_M)
    none = np.empty(0)
    level = Axis(0.0, 0.0, _PLACE_SIGMA_M**2, 0.0, 0.0)
    return LandingQuestion(
        number=number,
        phase="ground",
        frame=LocalFrame(launch.latitude_deg, launch.longitude_deg),
        plan=plan,
        ground=ground,
        terrain=terrain,
        forecast=forecast,
        at_s=at_s,
        motion=Motion(level, level, Axis(launch.altitude_m, 0.0, 1.0, 0.0, 0.0)),
        burst_s=None,
        time_s=none,
        x_m=none,
        y_m=none,
        z_m=none,
        tracker=np.empty(0, dtype=np.int64),
        landed_s=None,
        landed=np.empty((0, 3)),
        known_ground_m=ground.altitude_m,
        others=winds,
        avoid=avoid,
    )
