"""Both palettes can be read: contrast by WCAG 2.1's definition, computed from our own style sheet."""

import re

import pytest

from server.screen.assets import WEB

STYLE = (WEB / "style.css").read_text()
BLOCKS = re.findall(r":root(\[data-palette='night'\])? \{(.*?)\n\}", STYLE, re.DOTALL)
DAY, NIGHT = (dict(re.findall(r"--([\w-]+): (#[0-9a-f]{3,6});", body)) for _, body in BLOCKS[:2])
TEXT = ("ink", "quiet", "landing", "payload", "own", "reporting", "late", "silent")
AA_TEXT = 4.5  # WCAG 2.1, success criterion 1.4.3
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


def test_the_night_has_no_bright_or_blue_field() -> None:
    for name in ("ground", "card", "raised", "map-ground", "replay"):
        assert luminance(NIGHT[name]) < 0.02, name
    digits = NIGHT["ground"].lstrip("#")
    assert int(digits[4:6], 16) <= int(digits[0:2], 16)  # no more blue than red
