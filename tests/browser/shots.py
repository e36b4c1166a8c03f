"""The README's pictures, from the demo flights: `python -m tests.browser.shots [FOLDER]`.

Each is the replay standing still at a moment, so that two runs give the same picture. Look at them
before committing them.
"""

from __future__ import annotations

import asyncio
import io
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from PIL import Image
from playwright.async_api import Browser, async_playwright

from server.flight.chase.drives import chase
from server.flight.chase.question import Chase, ChaseQuestion
from server.flight.shapes import Corner
from server.flight.times import parse_time
from server.geodata.roads.reach import reach
from server.geodata.roads.roads import OpenRoads
from server.journal.recording import DEMO_LOG, read_recording
from server.plan.file import load
from server.screen.app import create_app
from server.screen.assets import WEB
from server.session.replay import Replay
from tests.browser.conftest import PHONE, WIDE
from tests.chromium import CHROMIUM, CHROMIUM_ARGS
from tests.machine import require
from tests.screen.serving import serving
from tests.seen import seen

SHOTS = WEB / "shots"
MOST_BYTES = 250_000
GAP_PX = 24


@dataclass(frozen=True)
class Shot:
    """A moment of the demo, and what a reader does before the picture is taken."""

    time: str
    size: tuple[int, int] = WIDE
    night: bool = False
    path: str = "/"
    touches: tuple[str, ...] = ()  # selectors, in order
    acknowledged: bool = True
    log: str = "demo"
    zone: str = "America/Chicago"
    panel: str | None = None  # that is scrolled to


WIDE_SHOTS = {
    "descent-day": Shot("2026-06-06T14:50:40Z"),
    "ascent-night": Shot(
        "2026-06-06T14:10:00Z",
        night=True,
        touches=("[data-view=sensors]",),
    ),
    "alarm-day": Shot("2026-06-06T15:06:30Z", acknowledged=False),
    "valley-day": Shot("2026-06-13T07:36:00Z", log="valley", zone="Europe/Vaduz", panel="way"),
}
PHONE_SHOTS = (
    Shot("2026-06-06T15:05:00Z", PHONE),
    Shot("2026-06-06T15:05:00Z", PHONE, night=True, touches=("[data-tab=landing]",)),
    Shot("2026-06-06T15:36:00Z", PHONE, path="/walk"),
)


class _Roads:
    """The chase here and now, so that a picture waits for it."""

    def __init__(self, paths: tuple[Path, ...]) -> None:
        self._roads = OpenRoads(paths)

    def chase(self, question: ChaseQuestion) -> Chase | None:
        return chase(question, self._roads)

    def reach(
        self, latitude_deg: float, longitude_deg: float, minutes: Sequence[float]
    ) -> list[list[list[Corner]]] | None:
        return reach(self._roads, latitude_deg, longitude_deg, minutes)


def _feed(log: Path) -> Replay:
    recording, plan = read_recording(log), load(log.with_suffix(".toml"))
    feed = Replay(
        recording.receptions, plan.for_flight(), name=recording.name, speed=30.0, clock=lambda: 0.0
    )
    if plan.roads is not None:
        feed.chaser = _Roads(tuple(log.parent / name for name in plan.roads.files))
    return feed


async def make(folder: Path) -> list[Path]:
    """All pictures, written into the folder."""
    await asyncio.to_thread(folder.mkdir, parents=True, exist_ok=True)
    written = []
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(
            executable_path=require(CHROMIUM), args=CHROMIUM_ARGS
        )
        for log in ("demo", "valley"):
            feed = _feed(DEMO_LOG.with_name(f"{log}.log"))
            await feed.control("pause", None)
            try:
                async with serving(create_app(feed)) as port:
                    for name, shot in WIDE_SHOTS.items():
                        if shot.log == log:
                            picture = await _take(browser, port, feed, shot)
                            written.append(_write(folder / f"{name}.png", picture))
                    if log == "demo":
                        phones = [await _take(browser, port, feed, shot) for shot in PHONE_SHOTS]
                        written.append(_write(folder / "phone.png", _beside(phones)))
            finally:
                feed.close()
        await browser.close()
    return written


async def _take(browser: Browser, port: int, feed: Replay, shot: Shot) -> Image.Image:
    await feed.control("seek", parse_time(shot.time) / 1000.0)
    feed.settle_landing()
    if shot.acknowledged:
        for alarm in seen(feed.state())["alarms"]:
            await feed.command("acknowledge", alarm["id"], None, None)
    context = await browser.new_context(
        viewport={"width": shot.size[0], "height": shot.size[1]},
        color_scheme="dark" if shot.night else "light",
        timezone_id=shot.zone,
        reduced_motion="reduce",
        has_touch=shot.size == PHONE,
    )
    await context.add_init_script("sessionStorage.setItem('leeward.notice', 'seen')")
    page = await context.new_page()
    await page.goto(f"http://127.0.0.1:{port}{shot.path}")
    ready = ".walk-rows" if shot.path == "/walk" else "[data-answer=when] .figure:not(:empty)"
    await page.locator(ready).first.wait_for()
    if shot.path == "/":
        await page.wait_for_function("() => document.querySelector('.credits').textContent !== ''")
    for selector in shot.touches:
        await page.locator(selector).click()
    if shot.panel is not None:
        panel = f"document.querySelector('[data-panel={shot.panel}]')"
        await page.wait_for_function(f"() => {panel}?.checkVisibility()")
        await page.evaluate(f"() => {panel}.scrollIntoView()")
    await page.wait_for_load_state("networkidle")
    await page.evaluate("() => document.fonts.ready")
    await page.evaluate(
        "() => new Promise((done) => setTimeout(done, 700))"
    )  # charts draw twice a s
    picture = Image.open(io.BytesIO(await page.screenshot()))
    await context.close()
    return picture.convert("RGB")


def _beside(pictures: list[Image.Image]) -> Image.Image:
    """Side by side on a plain ground."""
    width = sum(p.width for p in pictures) + GAP_PX * (len(pictures) + 1)
    sheet = Image.new("RGB", (width, pictures[0].height + 2 * GAP_PX), "#8c8473")
    left = GAP_PX
    for picture in pictures:
        sheet.paste(picture, (left, GAP_PX))
        left += picture.width + GAP_PX
    return sheet


def _write(path: Path, picture: Image.Image) -> Path:
    # maximum coverage keeps the rare colours, of which the words and shapes are made
    few = picture.quantize(256, Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE)
    few.save(path, optimize=True)
    return path


if __name__ == "__main__":
    for made in asyncio.run(make(Path(sys.argv[1]) if len(sys.argv) > 1 else SHOTS)):
        print(f"{made.name}: {made.stat().st_size:,} bytes")
