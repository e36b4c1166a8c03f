"""How often the long tests go round: a few times in CI, as often as asked by hand."""

from __future__ import annotations

import os

ROUNDS = "LEEWARD_ROUNDS"


def rounds(quick: int) -> int:
    """`quick`, or what LEEWARD_ROUNDS says: the issue's 100 kills, a longer fuzz."""
    return int(os.environ.get(ROUNDS, quick))
