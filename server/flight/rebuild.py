"""All receptions once more, in their canonical order, into books of their own."""

from __future__ import annotations

import bisect
from collections.abc import Callable
from dataclasses import dataclass

from server.flight.books import Books
from server.flight.inputs import Reception

_FEW = 64  # are put where they belong one by one; more are sorted with all


@dataclass(slots=True)
class Rebuild:
    """What a clock's error is taken to be when a packet is heard depends on others, as does which
    receiver speaks for its source; and what ended in an exception may have left a half behind.
    """

    books: Books
    receptions: list[Reception]  # those that come meanwhile are put behind them
    learns: bool  # what they say of clocks comes first, into clocks of its own
    done: int = 0  # of the receptions
    compared: bool = False  # with the books that are shown, as to what tracks have run

    @property
    def read(self) -> bool:
        """Whether all of them are in the books."""
        return self.done == len(self.receptions)

    def take(self, steps: int, enter: Callable[[Reception], object]) -> int:
        """Enter at most so many; the steps that are left."""
        while steps > 0 and not self.read:
            reception = self.receptions[self.done]
            self.done += 1
            steps -= 1
            enter(reception)
        return steps


def put_in_order(known: list[Reception], new: list[Reception]) -> None:
    """Into `known`, which is sorted."""
    if len(new) > _FEW:
        known += new
        known.sort()
        return
    for reception in new:
        if not known or reception >= known[-1]:  # as a rule
            known.append(reception)
        else:
            bisect.insort(known, reception)
