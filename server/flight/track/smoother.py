"""The track after the flight: every fix with all that came before and after it.

Fixed-interval (Rauch-Tung-Striebel) smoothing over the fixes that were used, each axis on its own, with
the process noise of the phase at that time. For the debrief and for winds; never for the live screen.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from server.flight.track import kalman
from server.flight.track.checkpoint import Record
from server.flight.track.constants import MotionConstants
from server.flight.track.fixes import ACCEPTED, ACCEPTED_WITHOUT_ALTITUDE, Verdict
from server.flight.track.kalman import Axis
from server.flight.track.modes import Motion
from server.flight.track.trackers import variances

_REST_PSD = 0.001
_FALL_PSD = 2.0  # the fall slows down in thicker air, which constant velocity does not know
_START_SPEED_SIGMA_MS = 30.0


class SmoothPoint(NamedTuple):
    time_s: float
    motion: Motion
    phase: str


class _Used(NamedTuple):
    time_s: float
    measured: tuple[float, float, float | None]
    variances: tuple[float, float]
    psd: tuple[float, float]  # horizontal, vertical, up to this fix
    phase: str


def smooth(
    records: Iterable[Record], verdicts: Sequence[Verdict], constants: MotionConstants
) -> list[SmoothPoint]:
    """One point for each fix that was used, in order of time; metres in the track's frame."""
    used = [
        _used(record, verdict, constants)
        for record, verdict in zip(records, verdicts, strict=True)
        if verdict.accepted and record.after.state is not None
    ]
    if not used:
        return []
    axes = [_smooth_axis(used, axis) for axis in range(3)]
    return [
        SmoothPoint(u.time_s, Motion(x, y, z), u.phase)
        for u, x, y, z in zip(used, *axes, strict=True)
    ]


def _used(record: Record, verdict: Verdict, constants: MotionConstants) -> _Used:
    state, fix = record.after.state, record.fix
    assert state is not None
    memory = state.trackers[fix.tracker]
    x, y, z = state.mixture
    altitude_m = None
    if fix.altitude_m is not None and verdict in (ACCEPTED, ACCEPTED_WITHOUT_ALTITUDE):
        altitude_m = fix.altitude_m - memory.offset_m
    phase = record.after.phase.phase
    climb = abs(z.velocity)
    if phase in ("ground", "landed"):
        psd = (_REST_PSD, _REST_PSD)
    else:
        horizontal = constants.wind_psd + constants.wind_psd_per_ms * climb
        psd = (horizontal, _FALL_PSD if phase == "descent" else constants.climb_psd)
    scatter = variances(fix, memory, (x.velocity, y.velocity, z.velocity), constants)
    return _Used(fix.time_s, (record.x_m, record.y_m, altitude_m), scatter, psd, phase)


def _smooth_axis(used: Sequence[_Used], axis: int) -> list[Axis]:
    vertical = axis == 2
    first = next((u.measured[axis] for u in used if u.measured[axis] is not None), 0.0)
    now = Axis(first or 0.0, 0.0, 1e4, 0.0, _START_SPEED_SIGMA_MS**2)
    predicted, filtered = [], []
    time_s = used[0].time_s
    for u in used:
        ahead = kalman.predict(now, u.time_s - time_s, u.psd[vertical])
        measured = u.measured[axis]
        now = ahead if measured is None else kalman.update(ahead, measured, u.variances[vertical])
        predicted.append(ahead)
        filtered.append(now)
        time_s = u.time_s
    smoothed = [filtered[-1]]
    for k in range(len(used) - 2, -1, -1):
        dt_s = used[k + 1].time_s - used[k].time_s
        smoothed.append(kalman.smooth(filtered[k], predicted[k + 1], smoothed[-1], dt_s))
    return smoothed[::-1]
