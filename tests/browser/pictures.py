"""Pictures of each phase, palette and size, to be looked at: `python -m tests.browser.pictures [FOLDER]`.

They stand beside this file in `pictures/`. Nothing compares them: fonts differ between machines, and what
lies on what is measured by `tests.browser.matrix`. Made anew and looked at when the screen changes.
"""

from __future__ import annotations

import asyncio
import io
import sys
from pathlib import Path

from PIL import Image
from playwright.async_api import Page, async_playwright

from tests.browser.matrix import (
    MOMENTS,
    PALETTES,
    SEVERAL,
    SIZES,
    Case,
    arrange,
    cases,
    demo,
    go,
    opened,
    several,
)
from tests.browser.overlaps import settled
from tests.chromium import CHROMIUM, CHROMIUM_ARGS
from tests.machine import require
from tests.screen.test_palette import DAY, NIGHT

PICTURES = Path(__file__).parent / "pictures"
PHASES = {
    "pad": "pad",
    "climb": "climb late",
    "fall": "falling",
    "silent": "lost",
    "ground": "landed",
}
COLOURS = 40
KEPT = ("landing", "payload", "own", "reporting", "late", "silent")  # however rare they are
MOST_BYTES = 3_000_000  # all together


def name_of(case: Case) -> str:
    phase = next((phase for phase, moment in PHASES.items() if moment == case.moment), case.moment)
    return f"{phase}-{case.palette}-{case.size[0]}x{case.size[1]}.png"


def wanted() -> list[Case]:
    return [
        *cases(PHASES.values(), scales=(100,)),
        *cases([SEVERAL], sizes=SIZES[:1], scales=(100,)),
    ]


def shows() -> list[str]:
    """The projector's."""
    return [f"show-fall-{palette}.png" for palette in PALETTES]


async def make(folder: Path) -> None:
    await asyncio.to_thread(folder.mkdir, parents=True, exist_ok=True)
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(
            executable_path=require(CHROMIUM), args=CHROMIUM_ARGS
        )
        async with demo() as (feed, port):
            page = await opened(browser, port)
            for case in wanted():
                if case.moment != SEVERAL:
                    await go(page, feed, case.moment)
                    await arrange(page, case)
                    await _keep(page, folder / name_of(case))
            await page.set_viewport_size({"width": 1920, "height": 1080})
            for name in shows():
                _, phase, palette = Path(name).stem.split("-")
                feed.go(MOMENTS[PHASES[phase]])
                scheme = "dark" if palette == "night" else "light"
                await page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]
                await page.evaluate("() => localStorage.removeItem('leeward.palette')")
                await page.goto(f"http://127.0.0.1:{port}/show")
                await page.wait_for_function(
                    "() => document.querySelector('.show-figure')?.textContent"
                )
                await settled(page)
                await _keep(page, folder / name)
        async with several() as port:
            page = await opened(browser, port)
            for case in wanted():
                if case.moment == SEVERAL:
                    await arrange(page, case)
                    await _keep(page, folder / name_of(case))
        await browser.close()


async def _keep(page: Page, path: Path) -> None:
    """When two in a row are the same: blocks of the map are painted beside the page."""
    before, taken = b"", await page.screenshot()
    while taken != before:
        before, taken = taken, await page.screenshot()
    picture = Image.open(io.BytesIO(taken)).convert("RGB")
    common = picture.quantize(COLOURS - len(KEPT), Image.Quantize.MEDIANCUT, kmeans=2)
    tokens = DAY if "-day" in path.name else NIGHT
    rare = [int(tokens[name][n : n + 2], 16) for name in KEPT for n in (1, 3, 5)]
    palette = Image.new("P", (1, 1))
    palette.putpalette([*rare, *(common.getpalette() or [])[: 3 * (COLOURS - len(KEPT))]])
    picture.quantize(palette=palette, dither=Image.Dither.NONE).save(path, optimize=True)


if __name__ == "__main__":
    asyncio.run(make(Path(sys.argv[1]) if len(sys.argv) > 1 else PICTURES))
