"""Digipeaters and gates: paths as the standard has them, no packet twice, delays as measured."""

from __future__ import annotations

import numpy as np
import pytest

from decoders.decode import decode
from decoders.reports import PositionReport
from server.rehearsal.flight import fly
from server.rehearsal.network import repeated_path
from server.rehearsal.scenario import load


@pytest.mark.parametrize(
    ("path", "after"),
    [
        (("WIDE2-1",), ("N0CALL-3*",)),
        (("WIDE1-1", "WIDE2-1"), ("N0CALL-3*", "WIDE2-1")),
        (("N0CALL-4*", "WIDE2-1"), ("N0CALL-4*", "N0CALL-3*")),
        (("WIDE2-2",), ("N0CALL-3*", "WIDE2-1")),
        (("N0CALL-4*",), None),
        (("WIDE2-0",), None),
        ((), None),
        (("N0CALL-7",), None),
    ],
)
def test_new_n_paradigm(path: tuple[str, ...], after: tuple[str, ...] | None) -> None:
    """A digipeater puts its callsign in and counts N down (common practice of WIDEn-N)."""
    assert repeated_path(path, "N0CALL-3") == after


def test_the_internet_passes_a_packet_on_once_in_half_a_minute() -> None:
    last: dict[tuple[str, bytes], int] = {}
    for heard_at_ms, source, wire, payload in fly(load("calm")).receptions:
        if source == "internet":
            found = decode(wire, payload, heard_at_ms / 1000.0, source).transmission
            if found is None:
                continue
            key = (found.sender, found.information)
            assert heard_at_ms - last.get(key, -(10**12)) >= 29_999
            last[key] = heard_at_ms
            assert found.fed_by in ("N0CALL-4", "N0CALL-10")


def test_lags_are_those_of_real_flights() -> None:
    """../shared/checks.md: median 1.9 s, 95 % 5.3 s, worst 405 s."""
    lags = []
    for seed in range(4):
        for heard_at_ms, source, wire, payload in fly(load("calm"), seed).receptions:
            if source != "internet":
                continue
            for report in decode(wire, payload, heard_at_ms / 1000.0, source).reports:
                if isinstance(report, PositionReport) and report.time_s is not None:
                    lags.append(heard_at_ms / 1000.0 - report.time_s)
    assert 1.4 < np.median(lags) < 2.4
    assert 3.5 < np.percentile(lags, 95) < 7.5
    assert min(lags) > 0.3
    assert 60.0 < max(lags) < 412.0
