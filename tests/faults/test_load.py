"""The quick form of the benches `live` and `fanout`: nothing is missed, memory stays in bounds.

Their figures of time are for the bench: a test on a shared machine judges none.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.bench import fanout, live
from tests.faults.rounds import rounds

MOST_MEMORY_MB = 300.0


def test_a_hundred_screens_get_every_update() -> None:
    figures = fanout._measure(100, 2.0 * rounds(1))
    assert figures["missed"] == 0
    assert figures["updates_per_s"] > 0.0
    assert figures["memory_mb"] < MOST_MEMORY_MB


async def test_two_hundred_packets_a_second_are_all_taken_in(tmp_path: Path) -> None:
    figures = await live._held(tmp_path, 8.0 * rounds(1))
    assert figures["packets"] >= 1_600
    assert figures["memory_end_mb"] < MOST_MEMORY_MB


def test_what_ten_thousand_cost_follows_from_what_was_measured() -> None:
    held = {
        "1 clients": {"cpu_share": 0.10, "memory_mb": 100.0},
        "1,000 clients": {"cpu_share": 0.40, "memory_mb": 160.0},
    }
    worked_out = fanout._worked_out(held, {"update_bytes_median": 2_000.0})
    assert worked_out["clients_per_core"] == pytest.approx(0.7 * 0.9 / (0.3 / 999))
    assert worked_out["cores"] == pytest.approx(10_000 / (0.63 / (0.3 / 999)))
    assert worked_out["megabit_per_s"] == pytest.approx(10_000 * 5 * 2_000 * 8 / 1e6)
