"""Keys in their file, buckets that slow askers down, and what counts as this machine."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from server.screen.keys import Keys, KeysError, KeysNotKeptError, is_loopback, keys_beside
from server.screen.limits import ASKING, WRONG_KEYS, Limits, neighbourhood
from tests.small_disk import fill, small_disk_at


def test_keys_are_made_once_and_kept_for_this_user(tmp_path: Path) -> None:
    plan = tmp_path / "tern.toml"
    made = keys_beside(plan, None, None)
    assert keys_beside(plan, None, None) == made
    kept = tmp_path / "tern.keys.json"
    assert kept.stat().st_mode & 0o077 == 0
    assert len(made.watch) >= 24
    assert made.watch != made.crew
    of_the_plan = keys_beside(plan, "a key of the plan's own", None)
    assert of_the_plan == Keys("a key of the plan's own", made.crew)
    for bad in (
        "",
        "[]",
        "{}",
        json.dumps({"watch": "short", "crew": "also short"}),
        json.dumps({"watch": made.crew, "crew": made.crew}),
    ):
        kept.write_text(bad)
        with pytest.raises(KeysError, match=r"tern\.keys\.json"):
            keys_beside(plan, None, None)
    kept.unlink()
    assert keys_beside(plan, None, None) != made, "deleted keys open nothing any more"


def test_buckets_fill_again_and_are_bounded() -> None:
    now = [0.0]
    limits = Limits(lambda: now[0])
    assert [limits.wait_s(WRONG_KEYS, "a") for _ in range(11)] == [0] * 10 + [6]
    assert limits.exhausted(WRONG_KEYS, "a") == 6
    assert limits.exhausted(WRONG_KEYS, "b") == 0
    now[0] = 6.0
    assert limits.wait_s(WRONG_KEYS, "a") == 0
    few = Limits(lambda: now[0], max_buckets=50)
    assert [few.wait_s(WRONG_KEYS, "a") for _ in range(11)][-1] == 6
    for i in range(49):
        few.wait_s(ASKING, str(i))
    assert few.exhausted(WRONG_KEYS, "a") == 6, "fifty are held"
    few.wait_s(ASKING, "one more")
    assert few.exhausted(WRONG_KEYS, "a") == 0, "the least lately used one is forgotten"


def test_a_household_is_one_asker() -> None:
    assert neighbourhood("2001:db8:1:2:aaaa::1") == neighbourhood("2001:db8:1:2:bbbb::9")
    assert neighbourhood("2001:db8:1:3::1") != neighbourhood("2001:db8:1:2::1")
    assert neighbourhood("192.0.2.1") != neighbourhood("192.0.2.2")


@pytest.mark.parametrize(
    ("host", "local"),
    [
        ("127.0.0.1", True),
        ("127.9.9.9", True),
        ("::1", True),
        ("::ffff:127.0.0.1", True),
        ("localhost", True),
        ("0.0.0.0", False),
        ("192.168.1.1", False),
        ("::", False),
        ("localhost.evil.example", False),
        ("", False),
    ],
)
def test_what_is_this_machine(host: str, local: bool) -> None:
    assert is_loopback(host) is local


def test_keys_that_could_not_be_kept_leave_no_half_file(tmp_path: Path) -> None:
    with small_disk_at(tmp_path / "disk", 16) as folder:
        ballast = fill(folder)
        with pytest.raises(KeysNotKeptError, match=r"tern\.keys\.json") as refused:
            keys_beside(folder / "tern.toml", None, "a key of the plan's own")
        assert refused.value.keys.crew == "a key of the plan's own"
        assert len(refused.value.keys.watch) >= 16
        ballast.unlink()
        assert keys_beside(folder / "tern.toml", None, None) != refused.value.keys
