"""Positions that are read here and not by aprslib: it is what they are held against."""

from __future__ import annotations

import random

import pytest

from decoders import aprs_position
from decoders.decode import decode
from tests.decoders.packets import HEARD_S

CHANCE = random.Random(20)
TABLES, SYMBOLS = "/\\0189AZaj!", "-_>O!~ \x7f"


def made() -> str:
    """Mostly right; some beyond 90 or 180 degrees, with 60 minutes, or blanks."""
    number = CHANCE.randrange
    latitude = f"{number(92):02d}{number(62):02d}.{number(100):02d}{CHANCE.choice('NSns')}"
    longitude = f"{number(182):03d}{number(62):02d}.{number(100):02d}{CHANCE.choice('EWew')}"
    if CHANCE.random() < 0.1:
        latitude, longitude = f"{latitude[:6]} {latitude[7]}", f"{longitude[:7]} {longitude[8]}"
    text = latitude + CHANCE.choice(TABLES) + longitude + CHANCE.choice(SYMBOLS)
    if CHANCE.random() < 0.7:
        parts = CHANCE.choice(["000", "123", "360", "400", " 12", "...", "   "]), number(1_000)
        text += f"{parts[0]}/{parts[1]:03d}"
    return text + CHANCE.choice(["", "/A=012345", "!W12!", " words", "g005t050"])


def test_they_are_what_the_library_makes_of_them(monkeypatch: pytest.MonkeyPatch) -> None:
    lines = [f"N0CALL-11>APRS,WIDE1-1:!{made()}".encode("latin-1") for _ in range(4_000)]
    read = [decode("tnc2", line, HEARD_S, "tnc") for line in lines]
    usual = 0

    def asks(fixed: str, moves: object) -> None:
        nonlocal usual
        usual += 1

    monkeypatch.setattr(aprs_position, "_usual", asks)
    assert [decode("tnc2", line, HEARD_S, "tnc") for line in lines] == read
    good = [one for one in read if one.problem is None]
    assert usual > len(good) > 1_500
    assert len(read) - len(good) > 500
