"""One reception into the books: decoded, its time put right by what its station's clock is off."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import TypeVar

from decoders.reports import Decoding, PositionReport, SensorReport
from server.flight.books import Books, Counts
from server.flight.inputs import Plan, Reception
from server.flight.packets.heard import Taken, decoded
from server.flight.packets.names import PlannedNames
from server.flight.packets.station_clocks import StationClocks

# positions without a time, and Mic-E (APRS Protocol Reference 1.0.1, chapter 5)
_WITHOUT_TIME = (b"!", b"=", b"`", b"'")
_WITH_STAMP = (b"/", b"@")
_NEAREST_S = 43_000.0  # 200 s less than half a day: what a stamp can mean is a day apart at least
_KEPT = 4_096  # decodings, some kilobytes each at most

Key = TypeVar("Key")


class Intake:
    """Reads what is received as the plan says."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._names = PlannedNames(plan)
        self._timeless: dict[tuple[str, bytes], Decoding] = {}  # the last of them
        self._again: dict[Reception, Decoding] = {}  # the last that were read again

    def learn(self, reception: Reception, clocks: StationClocks) -> bool:
        """What it says of clocks alone. True when times of packets heard before are others now."""
        return clocks.learn(reception, self._decoded_again(reception))

    def enter(
        self,
        reception: Reception,
        books: Books,
        clocks: StationClocks,
        horizon_s: Callable[[], float],
        learn: bool,
    ) -> bool:
        """Into the books, by `clocks`, which learn from it first if they are to. True as for `learn`.

        `horizon_s` is asked when they have: nothing is heard later.
        """
        decoding = (self._decoded if learn else self._decoded_again)(reception)
        unread = decoding.problem is not None and not decoding.reports
        total, undecodable, unusable = books.counts
        books.counts = Counts(total + 1, undecodable + unread, unusable)
        moved = learn and clocks.learn(reception, decoding)
        station = clocks.station(reception)
        ahead_s = clocks.ahead_s(station, reception.heard_at_s)
        if ahead_s != 0.0 and not says_the_same(decoding, reception.heard_at_s - ahead_s):
            decoding = self._decoded(reception, ahead_s)
        decoding = self._by_receiver(decoding, reception, books)
        heard_at_ms = reception.heard_at_ms - round(1000.0 * ahead_s)
        own = station == self._plan.station
        books.place(Taken(heard_at_ms, reception, decoding), math.inf if own else horizon_s())
        return moved

    def _decoded_again(self, reception: Reception) -> Decoding:
        """A clock that was set makes all be read again with each of the next ten packets."""
        known = self._again.get(reception)
        if known is None:
            known = self._decoded(reception)
            _keep(self._again, reception, known)
        return known

    def _decoded(self, reception: Reception, ahead_s: float = 0.0) -> Decoding:
        """With names as the plan spells them; by a clock that was so far ahead.

        A station at rest sends the same bytes all day: what has no place for a time says the same
        whenever it is heard, and is decoded once.
        """
        same = reception.wire, reception.payload
        known = self._timeless.get(same)
        if known is not None:
            return known
        reading = self._plan.readings.get(reception.source)
        found = self._names.spelled(decoded(reception, reception.heard_at_s - ahead_s, reading))
        if (
            found.transmission is not None
            and found.problem is None
            and found.transmission.information[:1] in _WITHOUT_TIME
        ):
            _keep(self._timeless, same, found)
        return found

    def _by_receiver(self, decoding: Decoding, reception: Reception, books: Books) -> Decoding:
        """Where several receivers share a source, each has a name of its own."""
        if not decoding.device:
            return decoding
        fix = any(isinstance(r, PositionReport) and r.valid for r in decoding.reports)
        reading = self._plan.readings.get(reception.source)
        suffix = books.receivers.suffix(reception, decoding.device, fix, reading)
        if not suffix:
            return decoding
        reports = tuple(replace(r, name=r.name + suffix) for r in decoding.reports)
        return replace(decoding, reports=reports)


def _keep(decodings: dict[Key, Decoding], key: Key, decoding: Decoding) -> None:
    """With the others, but for the oldest where they are too many."""
    decodings[key] = decoding
    if len(decodings) > _KEPT:
        del decodings[next(iter(decodings))]


def says_the_same(decoding: Decoding, heard_at_s: float) -> bool:
    """Whether a packet says the same if it was heard then: of the times that the stamp of an APRS position
    can mean the one nearest to its hearing is taken, and that one is nearest to this as well."""
    sent = decoding.transmission
    if sent is None or decoding.problem is not None or sent.information[:1] not in _WITH_STAMP:
        return False
    times_s = [r.time_s for r in decoding.reports if isinstance(r, PositionReport | SensorReport)]
    return len(times_s) == len(decoding.reports) and all(
        time_s is not None and abs(time_s - heard_at_s) < _NEAREST_S for time_s in times_s
    )
