"""What is wrong with what was heard, in words: clocks, times that cannot be, receptions left out."""

from __future__ import annotations

from collections.abc import Iterable

from server.flight.flight import Flight
from server.flight.packets.deduplication import TimeDoubt
from server.flight.times import rfc3339

# another station's clock is told when it is off by so much: each is told of its own by itself, but
# one with a wrong date may have no screen at all
_TOLD_AHEAD_S = 2 * 3_600.0
_DOUBTS = {
    TimeDoubt.AHEAD: "later than they were heard",
    TimeDoubt.BEHIND: "much earlier than they were heard",
}


def problems(flight: Flight) -> list[str]:
    """One sentence or two for each."""
    return [*_own_clock(flight), *_other_clocks(flight), *_times(flight), *_unusable(flight)]


def _own_clock(flight: Flight) -> Iterable[str]:
    ahead_s = flight.now_ahead_s
    if ahead_s != 0.0:
        yield (
            f"This computer's clock is {_span(ahead_s)} GPS time. "
            "The times shown are put right; set the clock."
        )


def _other_clocks(flight: Flight) -> Iterable[str]:
    for station, ahead_s in flight.clocks.wrong().items():
        if abs(ahead_s) >= _TOLD_AHEAD_S:
            yield (
                f"The clock of {station or 'a station without a name'} is {_span(ahead_s)} ours. "
                "The times of what it hears are put right; set its clock."
            )
    if flight.clocks.all_are_later:
        yield "All that other stations heard is later than now: this computer's clock is behind. Set it."
    for station, count in sorted(flight.undated.items()):
        yield (
            f"The clock of {station} shows another day, and nothing tells the time by it. "
            f"Of {_counted(count, 'packet')} nothing is used, all is kept: set its clock."
        )
    for station, heard_s in flight.held.items():
        named = station or "A station without a name"
        yield (
            f"{named} says that it heard {_counted(len(heard_s), 'packet')} "
            f"later than now (up to {rfc3339(heard_s[-1])}). "
            "Nothing of it is used, all is kept: set its clock."
        )


def _times(flight: Flight) -> Iterable[str]:
    for name in sorted({*flight.trackers, *flight.vehicles}):
        sender = flight.senders.get(name)
        for doubt, words in _DOUBTS.items():
            count = 0 if sender is None else sender.doubted[doubt]
            if count > 0:
                yield (
                    f"{name}: of {_counted(count, 'position')} the time is {words}. "
                    "The time of hearing is used instead."
                )


def _unusable(flight: Flight) -> Iterable[str]:
    if flight.counts.unusable:
        kinds = ", ".join(sorted(flight.fault_kinds))
        yield (
            f"{_counted(flight.counts.unusable, 'reception')} could not be taken in ({kinds}). "
            "What it holds is in the journal; please report it."
        )


def _counted(count: int, what: str) -> str:
    return f"{count:,} {what}" + ("" if count == 1 else "s")


def _span(ahead_s: float) -> str:
    side = "ahead of" if ahead_s > 0 else "behind"
    minutes, seconds = divmod(round(abs(ahead_s)), 60)
    if minutes < 120:
        return f"{minutes} min {seconds} s {side}"
    hours, minutes = divmod(minutes, 60)
    days, hours = divmod(hours, 24)
    if days == 0:
        return f"{hours} h {minutes} min {side}"
    return f"{days:,} days {hours} h {minutes} min {side}"
