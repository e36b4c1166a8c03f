"""What the witnesses of a clock agree on about a moment, by what they said before it and after it."""

from __future__ import annotations

import math
from collections.abc import Iterable

from server.flight.packets.witness import NOTICED_S, Sample, Witness

SAMPLES_BEFORE = 9
SAMPLES_AFTER = 5
RECENT_S = 3_600.0  # a witness that is silent for longer does not speak of the clock now
_SAME_S = 30.0  # two witnesses that say the same
# One witness alone whose time jumps by more may have been restarted: see `_clock_jumped`. Our choice
JUMP_S = 900.0

Found = tuple[Witness, int]  # and the first of its samples at or after a moment


def ahead_s(found: list[Found], heard_s: float, *, may_jump: bool) -> tuple[float | None, float]:
    """How far the clock was ahead when it read `heard_s`, None when nobody tells; and the last time of a
    sample that this rests on, infinity where any later one may change it.

    By the samples before it; by those after it where these, the next one too, say something else (the
    clock was set), or nothing had been heard before. `may_jump`: one witness alone is believed.
    """
    told = _before(found, may_jump)
    if told is None:
        return _after(found, may_jump)
    next_s, said_s = _next(found)
    if next_s - heard_s > RECENT_S or abs(said_s - told) <= NOTICED_S - _SAME_S:
        # as a rule: what comes next does not say that it was set, without asking further
        return told, next_s
    after, until_s = _after(found, may_jump)
    if after is None or abs(after - told) <= NOTICED_S or abs(said_s - after) > _SAME_S:
        return told, until_s
    set_ = told > NOTICED_S or after < told or _all_say(found, after)
    return (after if set_ else told), until_s


def _before(found: list[Found], may_jump: bool) -> float | None:
    ends = [(said, end) for said, end in found if end > 0]
    latest_s = max((said.samples[end - 1][0] for said, end in ends), default=0.0)
    windows = [
        (said, max(end - SAMPLES_BEFORE, 0), end)
        for said, end in ends
        if said.samples[end - 1][0] >= latest_s - RECENT_S
    ]
    return _agreed(windows, may_jump)


def _after(found: list[Found], may_jump: bool) -> tuple[float | None, float]:
    """What those say who come after a moment; and when the last sample that may be asked for it was heard,
    infinity before all have come."""
    windows = [
        (said, start, min(start + SAMPLES_AFTER, len(said.samples))) for said, start in _soon(found)
    ]
    ends = [(said.samples, start + SAMPLES_AFTER) for said, start in found]
    all_came = all(end <= len(samples) for samples, end in ends)
    until_s = max(samples[end - 1][0] for samples, end in ends) if all_came and ends else math.inf
    return _agreed(windows, may_jump), until_s


def _all_say(found: list[Found], ahead_s: float) -> bool:
    """Whether all samples after a moment say so, five at least of one witness.

    Old packets that are sent again look like a clock that was right and has been set ahead, and come
    in bursts.
    """
    windows = [said.samples[start : start + SAMPLES_AFTER] for said, start in _soon(found)]
    whole = any(len(window) == SAMPLES_AFTER for window in windows)
    return whole and all(abs(a - ahead_s) <= _SAME_S for window in windows for _, a in window)


def _soon(found: list[Found]) -> list[Found]:
    """Those whose next sample is not an hour behind the first."""
    starts = [(said, start) for said, start in found if start < len(said.samples)]
    first_s = min((said.samples[start][0] for said, start in starts), default=0.0)
    return [(said, start) for said, start in starts if said.samples[start][0] <= first_s + RECENT_S]


def _agreed(windows: Iterable[tuple[Witness, int, int]], may_jump: bool) -> float | None:
    """What most witnesses say; of two opinions the one by which the clock is the less wrong."""
    votes = [
        (vote, said, end)
        for said, start, end in windows
        if (vote := said.middle(start, end)) is not None
    ]
    if not votes:
        return None
    if len(votes) == 1:
        ((vote, said, end),) = votes
        if may_jump or abs(vote) <= JUMP_S:
            return vote
        first = said.middle(0, min(SAMPLES_BEFORE, len(said.samples)))
        if first is None:
            return vote
        same = abs(vote - first) <= NOTICED_S
        return vote if same or _clock_jumped(said, end, first, vote) else first
    told = sorted(vote for vote, *_ in votes)
    if told[-1] - told[0] <= _SAME_S:
        return told[len(told) // 2]
    camps = [[other for other in told if abs(other - vote) <= _SAME_S] for vote in told]
    best = max(camps, key=lambda camp: (len(camp), -abs(camp[len(camp) // 2])))
    return best[len(best) // 2]


def _next(found: list[Found]) -> Sample:
    """The first sample at or after a moment. There may be years between two readings of a clock."""
    return min(
        [said.samples[start] for said, start in found if start < len(said.samples)],
        default=(math.inf, 0.0),
    )


def _clock_jumped(said: Witness, end: int, first_s: float, now_s: float) -> bool:
    """Whether it was the clock that jumped ahead, not the one witness back: his own time went on.

    By his first `end` samples. A clock does not go back (recover.not_before).
    """
    good = said.last_near(first_s, NOTICED_S, end)
    if good is None or now_s < first_s:
        return False
    jumped = said.first_near(now_s, _SAME_S, good, end)
    return jumped is not None and jumped[0] - jumped[1] > good[0] - good[1]


def is_far(sample: Sample) -> bool:
    """Whether one that says so may have jumped."""
    return abs(sample[1]) > JUMP_S - _SAME_S
