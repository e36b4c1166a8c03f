"""Both palettes can be read: contrast by WCAG 2.2's definition, computed from our own style sheets.

The relative luminance is that of WCAG 2.2 (W3C Recommendation, 5 October 2023), section "Terms".
"""

import json
import re

import pytest

from server.screen.assets import WEB

STYLE = (WEB / "style.css").read_text()
BLOCKS = re.findall(r":root(\[data-palette='night'\])? \{(.*?)\n\}", STYLE, re.DOTALL)
DAY, NIGHT = (dict(re.findall(r"--([\w-]+): (#[0-9a-f]{3,6});", body)) for _, body in BLOCKS[:2])
TEXT = ("ink", "quiet", "landing", "payload", "own", "reporting", "late", "silent")
AA_TEXT = 4.5  # WCAG 2.2, success criterion 1.4.3
AA_LINES = 3.0  # 1.4.11
AAA_TEXT = 7.0  # 1.4.6


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
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
    """Black on white is 21 to 1 (WCAG 2.2)."""
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


def blend(colour: str, part: float, ground: str) -> str:
    """A colour of that opacity over a ground, as browsers mix: in sRGB (CSS Compositing 1, "over")."""
    pairs = [(int(colour[n : n + 2], 16), int(ground[n : n + 2], 16)) for n in (1, 3, 5)]
    return "#" + "".join(f"{round(part * over + (1 - part) * under):02x}" for over, under in pairs)


FIELDS = (
    *("land", "water", "built", "wood", "grass", "rock", "ice", "farmland"),
    *("wetland", "industry", "airfield", "building"),
)
# hatching inside an outline that reaches the contrast by itself, and a casing of the ground's own colour
NO_LINES = {".hatch-line", ".avoid-line", ".road-casing"}


def lines_of_the_map() -> dict[str, tuple[str, float]]:
    """Every rule of the map's style sheets that draws a line: its colour's name and opacity."""
    found = {}
    for name in ("drawn", "map", "marks", "sheets", "way"):
        text = (WEB / "style" / f"{name}.css").read_text()
        for selector, body in re.findall(r"(?:^|\n)([^{}@/]+?) \{([^{}]*)\}", text):
            colour = re.search(r"\bstroke: var\(--([\w-]+)", body)
            if colour is None or colour[1] == "card":  # a symbol's own edge
                continue
            opacity = re.search(r"stroke-opacity: ([\d.]+)", body)
            for one in selector.split(","):
                found[one.strip()] = (colour[1], float(opacity[1]) if opacity else 1.0)
    return {one: line for one, line in found.items() if one not in NO_LINES}


@pytest.mark.parametrize("palette", [DAY, NIGHT], ids=["day", "night"])
def test_the_flights_lines_are_seen_on_every_ground(palette: dict[str, str]) -> None:
    """Areas, ways, bearings, the horizon, what was searched: 3 to 1 on all that a map may show."""
    lines = lines_of_the_map()
    assert {".area-90", ".area-50", ".predicted", ".horizon", ".bearing", ".avoid"} <= set(lines)
    for selector, (name, opacity) in lines.items():
        for field in FIELDS:
            ground = palette[f"map-{field}"]
            seen = contrast(blend(palette[name], opacity, ground), ground)
            assert seen >= AA_LINES, (selector, field, seen)
    # the way over roads lies in a casing
    assert contrast(palette["own"], palette["map-ground"]) >= AA_LINES


@pytest.mark.parametrize("name", ["day", "night"])
def test_the_track_is_seen_at_every_height(name: str) -> None:
    """By the colour of its height, or by the casing that it lies in."""
    palette = DAY if name == "day" else NIGHT
    for altitude_m in range(0, 40_000, 1_000):
        colour = track_colour(altitude_m, name)
        for field in FIELDS:
            ground = palette[f"map-{field}"]
            seen = max(contrast(one, ground) for one in (colour, palette["track-casing"]))
            assert seen >= AA_LINES, (altitude_m, field, seen)


def track_colour(altitude_m: float, name: str) -> str:
    """As web/map/cividis.js has it; the browser's tests hold its scale against the published table."""
    text = (WEB / "map" / "cividis.js").read_text()
    terms = [
        json.loads(f"[{one}]") for one in re.findall(r"const (?:RED|GREEN|BLUE) = \[(.*)\];", text)
    ]
    top_m = float(re.findall(r"TOP_M = ([\d_]+)", text)[0])
    night, day = (
        float(one) for one in re.findall(r"1 - ([\d.]+) \* part : ([\d.]+) \* part", text)[0]
    )
    part = min(altitude_m, top_m) / top_m
    t = 1 - night * part if name == "night" else day * part
    channels = [sum(term * t**n for n, term in enumerate(one)) for one in terms]
    return "#" + "".join(f"{round(min(max(c, 0), 255)):02x}" for c in channels)


@pytest.mark.parametrize("palette", [DAY, NIGHT], ids=["day", "night"])
def test_the_lines_of_the_map_itself_are_seen(palette: dict[str, str]) -> None:
    """Borders, shores, railways, tracks and roads: 3 to 1 against the ground that they mostly cross."""
    for field in ("land", "farmland", "grass", "wood"):
        ground = palette[f"map-{field}"]
        for name in ("country", "state", "county", "shore", "rail", "track"):
            assert contrast(palette[f"map-{name}"], ground) >= AA_LINES, (name, field)
        for name in ("motorway", "trunk", "primary", "secondary", "road"):  # or by the edge
            edge = "motorway" if name in ("motorway", "trunk") else "road"
            cased = max(contrast(palette[f"map-{one}"], ground) for one in (name, f"{edge}-edge"))
            assert cased >= AA_LINES, (name, field)
            # where it is too thin for an edge
            assert contrast(palette[f"map-{edge}-thin"], ground) >= AA_LINES, (name, field)
    assert contrast(palette["map-shore"], palette["map-water"]) >= AA_LINES
    for name in ("land", "built"):
        assert contrast(palette["map-building-edge"], palette[f"map-{name}"]) >= AA_LINES
    for name in ("map-name", "map-quiet", "map-water-name"):
        assert contrast(palette[name], palette["map-land"]) >= AA_TEXT, name
    assert contrast(palette["map-water-name"], palette["map-water"]) >= AA_TEXT


def test_at_night_an_alarm_is_told_from_the_landing_by_its_light() -> None:
    """Who sees no red, or has a red light on, has the luminance alone: the alarm is the brighter."""
    assert contrast(NIGHT["silent"], NIGHT["landing"]) >= 1.6
    assert luminance(NIGHT["silent"]) > max(luminance(NIGHT[n]) for n in TEXT if n != "silent")


def test_whoever_asks_for_more_contrast_gets_it() -> None:
    """`prefers-contrast: more`: quiet words, names, edges and the map's grid stand out further."""
    more = STYLE.split("@media (prefers-contrast: more) {")[1]
    blocks = re.findall(r"  :root(?:\[data-palette='night'\])? \{(.*?)\n  \}", more, re.DOTALL)
    for palette, body in zip((DAY, NIGHT), blocks[:2], strict=True):
        changed = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", body))
        for name, colour in changed.items():
            ground = palette["map-land"] if name.startswith("map-") else palette["card"]
            assert contrast(colour, ground) > contrast(palette[name], ground), name
            least = {"edge": AA_LINES, "grid": AA_LINES, "map-grid": AA_LINES, "quiet": 10.0}
            assert contrast(colour, ground) >= least.get(name, AAA_TEXT), name


def test_the_night_has_no_bright_or_blue_field() -> None:
    fields = ("land", "water", "built", "wood", "grass", "rock", "ice", "building", "airfield")
    for name in ("ground", "card", "raised", "map-ground", "replay", *(f"map-{f}" for f in fields)):
        assert luminance(NIGHT[name]) < 0.02, name
    digits = NIGHT["ground"].lstrip("#")
    assert int(digits[4:6], 16) <= int(digits[0:2], 16)  # no more blue than red
