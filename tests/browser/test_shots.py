"""The README's pictures are made by this: they can be made, are small, and are the ones shown."""

from __future__ import annotations

import re
from pathlib import Path

from PIL import Image, ImageChops

from tests.browser.conftest import WIDE
from tests.browser.pictures import MOST_BYTES as MOST_BYTES_TOGETHER
from tests.browser.pictures import PICTURES, name_of, shows, wanted
from tests.browser.shots import MOST_BYTES, SHOTS, WIDE_SHOTS, make

README = Path(__file__).parents[2] / "README.md"
MOST_OTHER = 0.25  # the share of pixels: fonts differ between machines, what is shown does not


async def test_the_pictures_are_of_the_demo_as_it_looks_today(tmp_path: Path) -> None:
    made = await make(tmp_path)
    assert {path.name for path in made} == {path.name for path in SHOTS.glob("*.png")}
    for path in made:
        assert path.stat().st_size < MOST_BYTES, path.name
        with Image.open(path) as new, Image.open(SHOTS / path.name) as shown:
            assert new.size == shown.size, path.name
            if path.stem in WIDE_SHOTS:
                assert new.size == WIDE
            difference = ImageChops.difference(new.convert("L"), shown.convert("L"))
            other = sum(difference.point(lambda v: v > 48).histogram()[255:])
            share = other / (new.size[0] * new.size[1])
            assert share < MOST_OTHER, f"{path.name}: python -m tests.browser.shots, and look"


def test_there_is_a_picture_of_each_phase_palette_and_size() -> None:
    """Made and looked at by hand: `python -m tests.browser.pictures`."""
    found = list(PICTURES.glob("*.png"))
    assert {path.name for path in found} == {*map(name_of, wanted()), *shows()}
    assert sum(path.stat().st_size for path in found) < MOST_BYTES_TOGETHER
    for path in found:
        with Image.open(path) as picture:
            assert picture.mode == "P", path.name


def test_the_readme_shows_pictures_that_are_there() -> None:
    shown = re.findall(r"!\[[^\]]+\]\((web/shots/[^)]+)\)", README.read_text())
    assert "web/shots/descent-day.png" in shown
    for path in shown:
        assert (README.parent / path).is_file(), path
    assert len(list(SHOTS.glob("*.png"))) == 5
    assert {path.name for path in SHOTS.glob("*.png")} == {Path(path).name for path in shown}
