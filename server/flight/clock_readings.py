"""What each station's clock read last: from it `now`, and how late anything can have been heard."""

from __future__ import annotations

from server.flight.packets.station_clocks import StationClocks

# What another station heard later than our now is held back: the lag of a link to it, and NOTICED_S on
# both sides. Without a tick (a journal read to its end) our own clock's last reading is all that tells
# now, and others may have gone on without us
ALLOWED_S = 120.0
SET_WRONG_S = 86_400.0  # no time zone is so far off, and no clock drifts so far
_ALLOWED_UNTICKED_S = 12 * 3_600.0


class ClockReadings:
    """Latest readings (UTC seconds as each clock had them). `own`: this station's name."""

    def __init__(self, own: str) -> None:
        self._own = own
        self._latest_s: dict[str, float] = {}
        self._tick_s: float | None = None  # the last one

    def read(self, station: str, reading_s: float) -> None:
        """A clock was read with what it timed."""
        self._latest_s[station] = max(self._latest_s.get(station, 0.0), reading_s)

    def tick(self, reading_s: float) -> None:
        """Our own clock has gone on, and nothing was heard."""
        self.read(self._own, reading_s)
        self._tick_s = reading_s if self._tick_s is None else max(self._tick_s, reading_s)

    @property
    def own_s(self) -> float | None:
        """Of this station; None before it was read.

        What it read a day later than it ticks now, it read while it was set wrong: of less than a day a start
        keeps to the journal (`recover.not_before`).
        """
        latest_s, tick_s = self._latest_s.get(self._own), self._tick_s
        if latest_s is not None and tick_s is not None and latest_s > tick_s + SET_WRONG_S:
            return tick_s
        return latest_s

    def latest(self) -> tuple[str, float]:
        """Our own clock where it has been read, for another station's may be wrong; else the latest."""
        own_s = self.own_s
        if own_s is not None and self._own:
            return self._own, own_s
        read = self._latest_s if own_s is None else self._latest_s | {self._own: own_s}
        return max(read.items(), key=lambda item: item[1], default=(self._own, 0.0))

    def horizon_s(self, clocks: StationClocks, now_s: float) -> float:
        """Nothing is heard later; infinity while our own clock has not been read."""
        if self.own_s is None or clocks.all_are_later:
            return float("inf")
        return now_s + (_ALLOWED_UNTICKED_S if self._tick_s is None else ALLOWED_S)
