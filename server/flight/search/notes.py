"""The crew's notes as they hold now: the first of each id, without those that were called off."""

from __future__ import annotations

import bisect
from typing import Any, TypeVar

from decoders.reports import CallOffReport, NoteReport

MOST_NOTES = 2_000  # of a mission that count: the first by time; what is beyond is counted

Kind = TypeVar("Kind", bound=Any)
_Order = tuple[int, Any]


class Notes:
    """A function of the set of notes that were taken in, whatever their order."""

    def __init__(self) -> None:
        self._by_id: dict[str, tuple[_Order, NoteReport]] = {}
        self._sorted: list[tuple[float, str]] = []

    def take(self, note: NoteReport, order: _Order) -> None:
        """`order`: of its reception; of two with one id the earlier counts."""
        known = self._by_id.get(note.id)
        if known is not None:
            if known[0] <= order:
                return
            self._sorted.remove((known[1].time_s, note.id))
        self._by_id[note.id] = (order, note)
        bisect.insort(self._sorted, (note.time_s, note.id))

    def of(self, kind: type[Kind], flight: str, *, first: bool) -> tuple[Kind, ...]:
        """Those of one kind that speak of a flight, by time; `first`: notes that name none are of it."""
        counted = [self._by_id[name][1] for _, name in self._sorted[:MOST_NOTES]]
        off = {note.of for note in counted if isinstance(note, CallOffReport)}
        return tuple(
            note
            for note in counted
            if isinstance(note, kind)
            and note.id not in off
            and (note.flight == flight or (first and not note.flight))
        )

    @property
    def beyond(self) -> int:
        """How many do not count, because there are too many."""
        return max(len(self._sorted) - MOST_NOTES, 0)
