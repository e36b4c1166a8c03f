"""No label on another, no text cut: `python -m tests.browser.matrix` tries all sizes, palettes and moments.

A page is opened once for the demo's moments and once for several flights; then the window is resized and
the page's own settings are pressed, as a reader would. `--size 390x844`, `--scale 160`, `--moment pad`,
`--palette night` take a part; `--shots FOLDER` keeps a picture of each.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
from collections.abc import AsyncIterator, Iterable, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from playwright.async_api import Browser, Page, async_playwright

from server.screen.app import create_app
from server.session.replay import Replay
from tests.browser.overlaps import Looked, look, settled
from tests.chromium import CHROMIUM, CHROMIUM_ARGS
from tests.machine import require
from tests.screen.demo_feed import BURST_S, LANDED_S, SILENT_S, DemoFeed
from tests.screen.serving import serving
from tests.three_boxes import three_flown, three_heard, three_plan

ZONE = ZoneInfo("America/Chicago")
SIZES = ((1366, 633), (1024, 768), (390, 844), (844, 390), (1920, 1080))
SCALES = (80, 100, 130, 160)
PALETTES = ("day", "night")
MOMENTS = {
    "pad": -120.0,
    "climb early": 600.0,
    "climb late": 5_400.0,
    "falling": BURST_S + 300.0,
    "low": SILENT_S - 60.0,
    "silent": SILENT_S + 660.0,
    "lost": LANDED_S + 400.0,
    "landed": LANDED_S + 1_200.0,
}
SEVERAL = "several"
ALL_MOMENTS = (*MOMENTS, SEVERAL)


@dataclass(frozen=True)
class Case:
    moment: str
    palette: str
    size: tuple[int, int]
    scale: int

    def __str__(self) -> str:
        return f"{self.moment}, {self.palette}, {self.size[0]}x{self.size[1]}, {self.scale} %"


def cases(
    moments: Iterable[str] = ALL_MOMENTS,
    palettes: Iterable[str] = PALETTES,
    sizes: Sequence[tuple[int, int]] = SIZES,
    scales: Sequence[int] = SCALES,
) -> list[Case]:
    """In an order that changes little from one to the next."""
    return [
        Case(moment, palette, size, scale)
        for moment in moments
        for palette in palettes
        for size in sizes
        for scale in scales
    ]


async def arrange(page: Page, case: Case) -> None:
    """Window, palette and text size, by what a reader would use."""
    width, height = case.size
    if page.viewport_size != {"width": width, "height": height}:
        await page.set_viewport_size({"width": width, "height": height})
    await page.evaluate(
        """([palette, scale]) => {
          const press = (name) => document.querySelector(`[data-setting=${name}]`).click();
          if (document.documentElement.dataset.palette !== palette) press('palette');
          const now = () => 100 * Number(document.documentElement.style.getPropertyValue('--scale'));
          for (let n = 0; n < 8 && now() < scale - 1; n += 1) press('larger');
          for (let n = 0; n < 8 && now() > scale + 1; n += 1) press('smaller');
        }""",
        [case.palette, case.scale],
    )
    await settled(page)


@asynccontextmanager
async def demo() -> AsyncIterator[tuple[DemoFeed, int]]:
    feed = DemoFeed(since_launch_s=MOMENTS["pad"])
    async with serving(create_app(feed)) as port:
        yield feed, port


@asynccontextmanager
async def several() -> AsyncIterator[int]:
    """Three boxes: one landed, two fall."""
    feed = Replay(three_heard(), three_plan(), name="three.log", speed=1.0, clock=lambda: 0.0)
    await feed.control("pause", None)
    await feed.control("seek", three_flown().ours[2].truth.burst_s + 600.0)
    feed.settle_landing()
    try:
        async with serving(create_app(feed)) as port:
            yield port
    finally:
        feed.close()


async def go(page: Page, feed: DemoFeed, moment: str) -> None:
    """The page shows this moment."""
    feed.go(MOMENTS[moment])
    shown = datetime.fromtimestamp(feed.now_s, ZONE).strftime("%H:%M:")
    await page.wait_for_function(
        "(shown) => document.querySelector('.bar-time').textContent.startsWith(shown)", arg=shown
    )


async def opened(browser: Browser, port: int) -> Page:
    context = await browser.new_context(
        timezone_id=ZONE.key, reduced_motion="reduce", service_workers="block"
    )
    await context.add_init_script("sessionStorage.setItem('leeward.notice', 'seen')")
    page = await context.new_page()
    await page.goto(f"http://127.0.0.1:{port}/")
    await page.wait_for_function("() => document.querySelector('.figure')?.textContent")
    return page


async def walk(
    browser: Browser, wanted: Sequence[Case], shots: Path | None = None
) -> AsyncIterator[tuple[Case, Looked]]:
    """Each case as it looks; pages are opened once."""
    flown = [case for case in wanted if case.moment != SEVERAL]
    if flown:
        async with demo() as (feed, port):
            page = await opened(browser, port)
            shown = ""
            for case in flown:
                if case.moment != shown:
                    shown = case.moment
                    await go(page, feed, shown)
                yield case, await _looked(page, case, shots)
            await page.context.close()
    if len(flown) < len(wanted):
        async with several() as port:
            page = await opened(browser, port)
            for case in wanted:
                if case.moment == SEVERAL:
                    yield case, await _looked(page, case, shots)
            await page.context.close()


async def _looked(page: Page, case: Case, shots: Path | None) -> Looked:
    await arrange(page, case)
    looked = await look(page)
    if shots is not None:
        (width, height), scale = case.size, case.scale
        name = f"{case.moment}-{case.palette}-{width}x{height}-{scale}".replace(" ", "-")
        await page.screenshot(path=shots / f"{name}.png")
    return looked


async def run(wanted: Sequence[Case], shots: Path | None = None) -> int:
    """Prints what is wrong, then the worst of each size and text size; returns how many cases are."""
    worst: dict[tuple[tuple[int, int], int], tuple[float, float]] = {}
    bad = labels = 0
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(
            executable_path=require(CHROMIUM), args=CHROMIUM_ARGS
        )
        async for case, looked in walk(browser, wanted, shots):
            bad += bool(looked.bad)
            labels += looked.labels
            if looked.bad:
                _tell("\n    ".join(map(str, (case, *looked.bad))))
            share = max((one.share for one in looked.findings), default=0.0)
            before, height = worst.get((case.size, case.scale), (0.0, 9_999.0))
            worst[case.size, case.scale] = max(before, share), min(height, looked.map_px[1])
        await browser.close()
    _tell(f"{len(wanted)} pages, {labels} labels on the map, {bad} pages with a finding")
    for (size, scale), (share, height) in sorted(worst.items()):
        _tell(
            f"{size[0]}x{size[1]} at {scale} %: worst {share:.0%}, map at least {height:.0f} px high"
        )
    return bad


def _tell(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def _size(text: str) -> tuple[int, int]:
    width, height = text.split("x")
    return int(width), int(height)


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.browser.matrix", description=__doc__)
    parser.add_argument("--moment", nargs="*", default=ALL_MOMENTS, choices=ALL_MOMENTS)
    parser.add_argument("--palette", nargs="*", default=PALETTES, choices=PALETTES)
    parser.add_argument("--size", nargs="*", default=SIZES, type=_size)
    parser.add_argument("--scale", nargs="*", default=SCALES, type=int, choices=SCALES)
    parser.add_argument("--shots", type=Path)
    asked = parser.parse_args()
    if asked.shots is not None:
        asked.shots.mkdir(parents=True, exist_ok=True)
    wanted = cases(asked.moment, asked.palette, asked.size, asked.scale)
    return int(asyncio.run(run(wanted, asked.shots)) > 0)


if __name__ == "__main__":
    raise SystemExit(main())
