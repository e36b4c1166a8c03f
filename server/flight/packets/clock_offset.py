"""How far a clock is ahead, from witnesses: a function of the set of what they said.

A witness is a tracker (or the car's own receiver) whose packets carry GPS time: heard minus own time is
the lag of the air, some seconds, plus the clock's error. Two stations' clocks are held against each
other in the same way, by when both heard one packet.
"""

from __future__ import annotations

import bisect
import itertools
import math
from collections.abc import Iterable
from collections.abc import Set as AbstractSet

from server.flight.packets import clock_votes
from server.flight.packets.clock_votes import RECENT_S, SAMPLES_AFTER, SAMPLES_BEFORE, is_far
from server.flight.packets.witness import FEWEST, NOTICED_S, Sample, Witness, is_off
from server.flight.packets.worked_out import WorkedOut

_STEP_S = 2.0
_ONE_OF_S = 5.0  # of hearing, for each witness; our choice
# whose error is compared before and after a sample: 2 ms. Of more it is taken that one has changed: all
# is read again then, in slices, where comparing took up to 75 ms at once
_MOST_MOMENTS = 64
_SOME = 4 * _MOST_MOMENTS  # times that are looked through, for whether they are too many
_MILLISECOND_S = 0.001  # times of hearing are in whole ones


class Clock:
    """What witnesses say of one clock. `witnesses` are those that count; others are kept.

    `may_jump`: one witness alone is believed whatever it says. `alone`: nobody asks whether the error
    is known, or only taken to be 0.
    """

    def __init__(self, witnesses: AbstractSet[str], *, may_jump: bool, alone: bool) -> None:
        self._alone = alone
        self._witnesses = witnesses
        self._may_jump = may_jump
        self._said: dict[str, Witness] = {}
        self._times: list[float] = []  # of all samples, sorted
        # samples of witnesses, and of them those that are off, and those that may have jumped
        self._counted = self._off = self._far = 0
        self._worked_out = WorkedOut()

    def hear(self, witness: str, sample: Sample, latest_s: float) -> bool:
        """As `add`, but of all that was heard within _ONE_OF_S the first alone counts.

        Packets of a backlog come at once, hardly older than each other, and would agree: of some that agree
        the first and the last are so far apart now that a backlog's would not.
        """
        said = self._said.get(witness)
        if said is not None:
            from_s = math.floor(sample[0] / _ONE_OF_S) * _ONE_OF_S
            i = bisect.bisect_left(said.samples, (from_s, -math.inf))
            if i < len(said.samples) and said.samples[i][0] < from_s + _ONE_OF_S:
                other = said.samples[i]
                if other <= sample:
                    return False
                moved = self._change(witness, other, -1, latest_s)
                return self._change(witness, sample, +1, latest_s) or moved
        return self._change(witness, sample, +1, latest_s)

    def add(self, witness: str, sample: Sample, latest_s: float) -> bool:
        """One more sample. True when it changes the clock's error at a moment up to `latest_s`: the
        last that has been read from it; and when it may, at more moments than can be looked at."""
        return self._change(witness, sample, +1, latest_s)

    def remove(self, witness: str, sample: Sample, latest_s: float) -> bool:
        """Take a sample back. True as for `add`."""
        return self._change(witness, sample, -1, latest_s)

    def admit(self, witness: str) -> bool:
        """A name that `witnesses` holds from now on. True as for `add`; call it after that."""
        said = self._said.pop(witness, Witness())
        self._worked_out.clear()
        given = said.samples
        many = len(self._times) > _MOST_MOMENTS
        before, few = self._known() if given and not many else [], self._counted < FEWEST
        self._said[witness] = said
        self._worked_out.clear()
        self._counted += len(given)
        self._off += sum(is_off(sample) for sample in given)
        self._far += sum(is_far(sample) for sample in given)
        if given and not self._alone and few and self._counted >= FEWEST:
            return True
        return bool(given) and (many or before != self._known())

    def _known(self) -> list[float | None]:
        return self._told(self._moments(-math.inf, math.inf))

    def _told(self, moments: list[float]) -> list[float | None]:
        known = [self.known_s(h) for h in moments]
        return [k or 0.0 for k in known] if self._alone else known

    def _change(self, witness: str, sample: Sample, sign: int, latest_s: float) -> bool:
        said = self._said.get(witness)
        if said is None:
            said = self._said[witness] = Witness()
        samples = said.samples
        counts = witness in self._witnesses
        off = counts and is_off(sample)
        i = bisect.bisect_left(samples, sample)
        if self._off == 0 and not off:  # as a rule: it looks right before and after
            few = self._counted < FEWEST
            self._put(said, i, sample, sign)
            self._counted += sign * counts
            return not self._alone and few != (self._counted < FEWEST)
        far = counts and is_far(sample)
        self._far += far  # taken back below, where the sample goes
        touched: list[float] = []
        first_off = off and self._off == (0 if sign > 0 else 1)
        reach = self._reach(samples, i)
        first_s, last_s = (-math.inf, math.inf) if first_off else reach
        if first_off and not self._alone:
            # it looked right until now, or does again: whether that is known may change anywhere
            touched = self._moments(first_s, last_s, said, sample[0])
        elif counts and (self._off or off) and len(samples) + sign >= FEWEST - (sign < 0):
            touched = self._touched(said, reach, sample, latest_s)
        touched = [min(h, latest_s) for h in touched if h <= latest_s or math.isinf(h)]
        many = len(touched) > _MOST_MOMENTS
        if many:
            touched = []
        # of a witness that tells already, and none that jumps: what rests on earlier ones stays
        stays = not first_off and self._far == 0 and len(samples) + min(sign, 0) >= FEWEST
        sample_s = sample[0] if stays else -math.inf
        touched = self._worked_out.changed_by(sample_s, touched)
        before, few = self._told(touched), self._counted < FEWEST
        if counts:
            self._worked_out.forget(first_s, last_s, sample_s)
        self._put(said, i, sample, sign)
        self._counted += sign * counts
        self._off += sign * off
        self._far -= 2 * far * (sign < 0)
        if not self._alone and few != (self._counted < FEWEST):
            return True
        return many or before != self._told(touched)

    def _put(self, said: Witness, i: int, sample: Sample, sign: int) -> None:
        if sign > 0:
            said.put(i, sample)
            bisect.insort(self._times, sample[0])
        else:
            said.take(i)
            del self._times[bisect.bisect_left(self._times, sample[0])]

    def _reach(self, samples: list[Sample], i: int) -> tuple[float, float]:
        """Between which moments a sample put in at `i`, or taken out, may change the error."""
        first_s = samples[i - SAMPLES_AFTER - 1][0] if i > SAMPLES_AFTER else -math.inf
        if self._far == 0 and i + SAMPLES_BEFORE < len(samples):
            return first_s, samples[i + SAMPLES_BEFORE][0]
        # of one that has jumped, all before it tell whether it or the clock did
        return first_s, math.inf

    def _touched(
        self, said: Witness, reach: tuple[float, float], sample: Sample, latest_s: float
    ) -> list[float]:
        """Moments at which a sample may change the error within its reach: see `_moments`.

        Where they are too many up to `latest_s`, some that are.
        """
        first_s, last_s = reach
        if self._alone and not is_off(sample) and not self._off_between(first_s, last_s):
            return []  # 0 before and after: a delayed packet of an hour ago is no reason to look
        first = bisect.bisect_left(self._times, first_s)
        last = bisect.bisect_right(self._times, last_s)
        until = bisect.bisect_right(self._times, latest_s)
        some_end = min(first + _SOME, last, until)
        some = [t for t, _ in itertools.groupby(self._times[first:some_end])]
        if len(some) > _MOST_MOMENTS:
            return some
        return self._moments(first_s, last_s, said, sample[0])

    def _moments(
        self, first_s: float, last_s: float, said: Witness | None = None, sample_s: float = 0.0
    ) -> list[float]:
        """One of each stretch between two moments in which the error is constant.

        It changes at samples, and an hour before one that its own witness was silent for as long before:
        with a sample at `sample_s` of `said`, and without it.
        """
        times = self._times
        first, last = bisect.bisect_left(times, first_s), bisect.bisect_right(times, last_s)
        found = set(times[first:last])
        late = set[float]()
        for one in self._counting(1):
            start = bisect.bisect_left(one.samples, (first_s, -math.inf))
            end = bisect.bisect_right(one.samples, (last_s, math.inf))
            of = [t for t, _ in one.samples[max(start - 1, 0) : end]]
            late.update(of[:1] if start == 0 else ())
            late.update(b for a, b in itertools.pairwise(of) if b - a > RECENT_S)
        if said is not None:
            found.add(sample_s)
            samples = said.samples
            following = bisect.bisect_right(samples, (sample_s, math.inf))
            previous = bisect.bisect_left(samples, (sample_s, -math.inf)) - 1
            previous_s = samples[previous][0] if previous >= 0 else -math.inf
            new = (sample_s, *(t for t, _ in samples[following : following + 1]))
            late.update(t for t in new if t - previous_s > RECENT_S)
        before = [t - RECENT_S - shift_s for t in late for shift_s in (0.0, _MILLISECOND_S)]
        return [*sorted(found), *before, math.inf]

    def _off_between(self, first_s: float, last_s: float) -> bool:
        """Whether any sample is off that the error between two moments may rest on."""
        for said in self._counting(1):
            samples, off_at_s = said.samples, said.off_at_s
            first = max(bisect.bisect_left(samples, (first_s, -math.inf)) - SAMPLES_BEFORE, 0)
            end = bisect.bisect_right(samples, (last_s, math.inf)) + SAMPLES_AFTER
            i = bisect.bisect_left(off_at_s, samples[first][0] if first < len(samples) else first_s)
            until_s = samples[end - 1][0] if end <= len(samples) else math.inf
            if i < len(off_at_s) and off_at_s[i] <= until_s:
                return True
        return False

    @property
    def is_known(self) -> bool:
        """Whether enough has been said of it."""
        return self._counted >= FEWEST

    def known_s(self, heard_s: float) -> float | None:
        """How far the clock was ahead when it read `heard_s`; None when nobody tells.

        By the samples before it; by those after it where these, the next one too, say something else
        (the clock was set: see `_all_say` too), or nothing had been heard before. In whole steps, and 0
        while it looks right.
        """
        if self._off == 0:
            return 0.0 if self._counted >= FEWEST else None
        kept = self._worked_out.get(heard_s)
        if kept is not None:
            return kept[0]
        told, until_s = self._work_out(heard_s)
        self._worked_out.keep(heard_s, told, until_s)
        return told

    def _work_out(self, heard_s: float) -> tuple[float | None, float]:
        """As `known_s`, where anything that was said is off; and the last time of a sample it rests on."""
        found = [
            (said, bisect.bisect_left(said.samples, (heard_s, -math.inf)))
            for said in self._counting(FEWEST)
        ]
        told, until_s = clock_votes.ahead_s(found, heard_s, may_jump=self._may_jump)
        if told is None:
            return None, until_s
        return (0.0 if abs(told) <= NOTICED_S else round(told / _STEP_S) * _STEP_S), until_s

    def _counting(self, fewest: int) -> Iterable[Witness]:
        """The witnesses that have said enough to be heard."""
        return (
            said
            for name, said in self._said.items()
            if len(said.samples) >= fewest and name in self._witnesses
        )
