"""Where a bystander was last, of whose other positions nothing is kept: his packets hold them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from server.flight.packets.deduplication import Packet
from server.flight.packets.positions import Entry, SlotKey, entries_of, possible, why_impossible
from server.flight.packets.sent_at import timed
from server.flight.track.fixes import Fix
from server.flight.tracker_state import Rejection

Impossible = dict[SlotKey, Rejection]


@dataclass(slots=True)
class LastPlace:
    """The last possible position, and what was said of that moment: a function of the set of packets.

    `impossible` of its methods takes the moments of positions that cannot be; they are only counted.
    """

    fix: Fix | None = None
    _key: SlotKey | None = None
    _entries: tuple[Entry, ...] = ()

    def add(self, name: str, key: SlotKey, entry: Entry, impossible: Impossible) -> bool:
        """One more position. True where all packets are to be looked at: see `find`."""
        known = key in impossible
        problem = why_impossible(entry.report)
        if problem is not None:
            impossible[key] = problem
        if self._key is not None and key < self._key:
            return False
        same = key == self._key
        if known and not same:  # of this moment something was heard that is not kept
            return problem is None
        entries = (*self._entries, entry) if same else (entry,)
        fixes = possible(name, key, entries, {})
        if fixes:
            self.fix, self._key, self._entries = fixes[-1], key, entries
        return same and not fixes

    def rests_on(self, key: SlotKey, impossible: Impossible) -> bool:
        """Whether a position of that moment cannot go without `find`."""
        return key == self._key or key in impossible

    def find(self, name: str, packets: Iterable[Packet], impossible: Impossible) -> None:
        """The same from all packets."""
        self.fix, self._key, self._entries = None, None, ()
        impossible.clear()
        found: dict[SlotKey, list[Entry]] = {}
        for packet in packets:
            for key, entry in entries_of(packet, timed(packet)):
                found.setdefault(key, []).append(entry)
                problem = why_impossible(entry.report)
                if problem is not None:
                    impossible[key] = problem
        for key in sorted(found, reverse=True):
            entries = tuple(found[key])
            fixes = possible(name, key, entries, {})
            if fixes:
                self.fix, self._key, self._entries = fixes[-1], key, entries
                return
