"""`leeward links`: an address for other devices, and that it may be another one."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from server.commands.main import app
from tests.session.test_plan import GOOD, WEB


@pytest.mark.parametrize(
    ("given", "base", "told"),
    [
        ((), "http://", True),
        (("--https",), "https://", True),
        (("--address", "https://chase.example"), "https://chase.example/", False),
    ],
)
def test_links_say_for_which_address_they_are(
    tmp_path: Path, given: tuple[str, ...], base: str, told: bool
) -> None:
    plan = tmp_path / "tern.toml"
    plan.write_text(GOOD)
    done = CliRunner().invoke(app, ["links", str(plan), *given])
    assert done.exit_code == 0, done.output
    urls = [line for line in done.output.splitlines() if "/#key=" in line]
    assert len(urls) == 2
    assert all(url.startswith(base) for url in urls)
    assert ("where the station printed another" in done.output) is told


def test_where_json_is_posted(tmp_path: Path) -> None:
    plan = tmp_path / "tern.toml"
    plan.write_text(GOOD + WEB)
    given = ["links", str(plan), "--address", "https://chase.example"]
    done = CliRunner().invoke(app, given)
    assert "web: JSON objects are posted to https://chase.example/api/json/another-l" in done.output


def test_an_address_that_is_none_is_refused(tmp_path: Path) -> None:
    plan = tmp_path / "tern.toml"
    plan.write_text(GOOD)
    done = CliRunner().invoke(app, ["links", str(plan), "--address", "javascript:alert(1)"])
    assert done.exit_code == 2
