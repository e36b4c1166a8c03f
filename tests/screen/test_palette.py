"""Both palettes can be read: contrast by WCAG 2.1's definition, computed from our own style sheet."""

import re

import pytest

from server.screen.assets import WEB

STYLE = (WEB / "style.css").read_text()
BLOCKS = re.findall(r":root(\[data-palette='night'\])? \{(.*?)\n\}", STYLE, re.DOTALL)
DAY, NIGHT = (dict(re.findall(r"--([\w-]+): (#[0-9a-f]{3,6});", body)) for _, body in BLOCKS[:2])
TEXT = ("ink", "quiet", "landing", "payload", "own", "reporting", "late", "silent")
AA_TEXT = 4.5  # WCAG 2.1, success criterion 1.4.3
AA_LINES = 3.0  # 1.4.11
AAA_TEXT = 7.0  # 1.4.6


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.1 defines it."""
    digits = colour.lstrip("#")
    if len(digits) == 3:
        digits = "".join(digit * 2 for digit in digits)
    parts = [int(digits[n : n + 2], 16) / 255 for n in (0, 2, 4)]
    red, green, blue = (p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_formula() -> None:
    """Black on white is 21 to 1 (WCAG 2.1)."""
    assert contrast("#000", "#ffffff") == pytest.approx(21)


@pytest.mark.parametrize("palette", [DAY, NIGHT], ids=["day", "night"])
@pytest.mark.parametrize("ground", ["ground", "card"])
def test_every_text_colour_is_readable(palette: dict[str, str], ground: str) -> None:
    for name in TEXT:
        assert contrast(palette[name], palette[ground]) >= AAA_TEXT, name  # figures have them all
    for name in ("map-name", "map-quiet"):
        assert contrast(palette[name], palette["map-ground"]) >= AA_TEXT, name


@pytest.mark.parametrize("palette", [DAY, NIGHT], ids=["day", "night"])
def test_what_is_written_on_strong_grounds(palette: dict[str, str]) -> None:
    assert contrast(palette["on-strong"], palette["own"]) >= AA_TEXT
    assert contrast(palette["card"], palette["ink"]) >= AAA_TEXT


@pytest.mark.parametrize("palette", [DAY, NIGHT], ids=["day", "night"])
def test_borders_and_shores_are_seen_in_the_sun(palette: dict[str, str]) -> None:
    """Lines that are needed to understand a picture: 3 to 1 (WCAG 2.1, success criterion 1.4.11)."""
    for name in ("country", "state", "county", "shore", "rail", "track"):
        assert contrast(palette[f"map-{name}"], palette["map-land"]) >= AA_LINES, name
    assert contrast(palette["map-shore"], palette["map-water"]) >= 2.5
    for name in ("map-name", "map-quiet", "map-water-name"):
        assert contrast(palette[name], palette["map-land"]) >= AA_TEXT, name
    assert contrast(palette["map-water-name"], palette["map-water"]) >= AA_TEXT


@pytest.mark.parametrize("palette", [DAY, NIGHT], ids=["day", "night"])
def test_each_class_of_roads_is_told_from_the_land(palette: dict[str, str]) -> None:
    """By its own colour or by its edge."""
    for name in ("motorway", "trunk", "primary", "secondary", "road"):
        edge = "motorway-edge" if name in ("motorway", "trunk") else "road-edge"
        land = palette["map-land"]
        best = max(contrast(palette[f"map-{one}"], land) for one in (name, edge))
        assert best >= (2.0 if name in ("road", "secondary") else 2.4), name


def test_the_night_has_no_bright_or_blue_field() -> None:
    fields = ("land", "water", "built", "wood", "grass", "rock", "ice", "building", "airfield")
    for name in ("ground", "card", "raised", "map-ground", "replay", *(f"map-{f}" for f in fields)):
        assert luminance(NIGHT[name]) < 0.02, name
    digits = NIGHT["ground"].lstrip("#")
    assert int(digits[4:6], 16) <= int(digits[0:2], 16)  # no more blue than red
