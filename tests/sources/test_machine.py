"""The helper that decides what a missing program means."""

from __future__ import annotations

import pytest

from tests import machine


def test_program_that_is_there() -> None:
    assert machine.require("sh").endswith("/sh")


def test_missing_program_skips_by_default(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(machine.STRICT, raising=False)
    with pytest.raises(pytest.skip.Exception, match="no-such-program is not installed"):
        machine.require("no-such-program")


def test_missing_program_fails_where_ci_is_strict(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(machine.STRICT, "1")
    with pytest.raises(pytest.fail.Exception, match="no-such-program is not installed"):
        machine.require("no-such-program")
