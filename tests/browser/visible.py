"""What a reader can see on the first screen: text in the viewport, not covered and not cut."""

from __future__ import annotations

from typing import Any

from playwright.async_api import Page

# leaves with text; each is asked whether its middle is on the screen and its own
_SEEN = """() => {
  const seen = [], cut = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const text = node.textContent.trim();
    const parent = node.parentElement;
    if (text === '' || parent.closest('script, style, noscript, dialog')) continue;
    const range = document.createRange();
    range.selectNodeContents(node);
    const box = range.getBoundingClientRect();
    const shown = parent.checkVisibility({ visibilityProperty: true, opacityProperty: true });
    if (box.width < 1 || box.height < 1 || !shown) continue;
    const [x, y] = [(box.left + box.right) / 2, (box.top + box.bottom) / 2];
    if (x < 0 || y < 0 || x > innerWidth || y > innerHeight) continue;
    const top = document.elementFromPoint(x, y);
    if (top === null || !(parent.contains(top) || top.contains(parent))) continue;
    let clipped = box.right > innerWidth + 1 || box.bottom > innerHeight + 1;
    for (let up = parent; up && up !== document.body && !clipped; up = up.parentElement) {
      if (getComputedStyle(up).overflowX === 'visible') continue;
      const room = up.getBoundingClientRect();
      clipped = box.right > room.right + 1 || box.bottom > room.bottom + 1 || box.left < room.left - 1;
      if (getComputedStyle(up).overflowY.match(/auto|scroll/)) break;
    }
    const kind = parent.closest('[class]')?.className ?? '';
    (clipped ? cut : seen).push([text.replaceAll('\\u00a0', ' '), kind]);
  }
  return { seen, cut };
}"""


async def on_screen(page: Page) -> dict[str, Any]:
    """`seen` and `cut`: lists of (text, class of what holds it)."""
    found: dict[str, Any] = await page.evaluate(_SEEN)
    return found


async def visible_text(page: Page) -> str:
    return " · ".join(text for text, _ in (await on_screen(page))["seen"])
