"""What lies on what and what is cut on the page: labels of the map, names on its canvas, all other text.

A reader sees text where it is in the viewport and not wholly covered. *Cut*: it goes beyond what clips
it (the window, a box that hides what overflows, an ellipsis); what a scroll brings into view is not cut.
*Covered*: a part of it lies under something else. *Overlap*: the common area of two, of the smaller one.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from playwright.async_api import Page

MOST_OVERLAP = 0.15

_FOUND = (Path(__file__).parent / "overlaps.js").read_text()


# labels, layout and the map's canvases stay the same for six frames
_SETTLED = """async () => {
  let last = '', same = 0;
  for (let n = 0; n < 300 && same < 6; n += 1) {
    await new Promise(requestAnimationFrame);
    const now = [...document.querySelectorAll('.mark > *, .answer > *, .map, .now, .alarm')]
      .map((node) => Object.values(node.getBoundingClientRect().toJSON()).map(Math.round).join());
    const drawn = [...document.querySelectorAll('.map canvas')];
    const canvases = drawn.map((one) => [one.width, one.ariaLabel].join());
    const blank = canvases.includes('300,'); // a block of the map that is not painted yet
    const told = [...now, ...canvases].join('|');
    same = told === last && !blank ? same + 1 : 0;
    last = told;
  }
}"""


@dataclass(frozen=True, order=True)
class Finding:
    """`share` is 1 for what is cut."""

    share: float
    what: Literal["overlap", "covered", "cut"]
    text: str
    other: str = ""

    def __str__(self) -> str:
        beside = f" with {self.other!r}" if self.other else ""
        return f"{self.what} {self.share:.0%} {self.text!r}{beside}"


@dataclass(frozen=True)
class Looked:
    findings: tuple[Finding, ...]  # the worst first; overlaps of any share
    map_px: tuple[float, float]
    labels: int

    @property
    def bad(self) -> tuple[Finding, ...]:
        return tuple(one for one in self.findings if one.share > MOST_OVERLAP)


def overlap(a: dict[str, Any], b: dict[str, Any]) -> float:
    wide = min(a["right"], b["right"]) - max(a["left"], b["left"])
    high = min(a["bottom"], b["bottom"]) - max(a["top"], b["top"])
    if wide <= 0.0 or high <= 0.0:
        return 0.0
    return float(wide * high / min(_area(a), _area(b)))


def _area(box: dict[str, Any]) -> float:
    return float((box["right"] - box["left"]) * (box["bottom"] - box["top"]))


async def settled(page: Page) -> None:
    """What a change set going has come to rest."""
    await page.evaluate(_SETTLED)


async def look(page: Page) -> Looked:
    """Measures the page as it stands."""
    found = await page.evaluate(_FOUND)
    labels, over, texts = found["labels"], found["over"], found["texts"]
    findings = []
    for number, one in enumerate(labels):
        pairs = [("overlap", other) for other in labels[number + 1 :]]
        pairs += [("covered", other) for other in over]
        if (
            one["kind"] != "name"
        ):  # the names of towns make room by the shape of a symbol, not its box
            above = [other for other in found["symbols"] if other["level"] > one["level"]]
            pairs += [("covered", other) for other in above]
        findings += [_pair(what, one, other) for what, other in pairs]  # type: ignore[arg-type]
    for number, one in enumerate(texts):
        findings += [
            _pair("overlap", one, other)
            for other in texts[number + 1 :]
            if other["number"] != one["number"]
        ]
    findings += [Finding(1.0, "cut", _name(one)) for one in [*labels, *texts] if one["cut"]]
    findings += [Finding(1.0, "covered", _name(one)) for one in texts if one["covered"]]
    told = sorted((one for one in findings if one.share > 0.0), reverse=True)
    return Looked(tuple(dict.fromkeys(told)), tuple(found["map"]), len(labels))


def _pair(what: Literal["overlap", "covered"], a: dict[str, Any], b: dict[str, Any]) -> Finding:
    return Finding(overlap(a, b), what, _name(a), _name(b))


def _name(one: dict[str, Any]) -> str:
    return f"{one['text'][:40]} [{one['kind']}]"
