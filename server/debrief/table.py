"""A table of the page."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Table:
    """`numeric`: the columns that are set to the right. `empty`: said without rows; "": left out."""

    title: str
    head: Sequence[str]
    rows: Sequence[Sequence[str]]
    numeric: frozenset[int] = frozenset()
    note: str = ""
    empty: str = "Nothing."

    @property
    def anchor(self) -> str:
        """For a link to it on the page."""
        return re.sub(r"[^a-z]+", "-", self.title.lower()).strip("-")
