"""The page's files: all there, packed, from here alone."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
from httpx import ASGITransport, AsyncClient

from server.screen.app import create_app
from server.screen.assets import WEB, Files
from tests.screen.demo_feed import TOKEN, DemoFeed

BASE = "http://127.0.0.1:8000"


@pytest.fixture
async def client() -> AsyncIterator[AsyncClient]:
    app = create_app(DemoFeed(since_launch_s=6_700))
    async with AsyncClient(transport=ASGITransport(app=app), base_url=BASE) as client:
        yield client


@pytest.mark.parametrize("path", ["/", "/walk", "/show", f"/beacon/{TOKEN}"])
async def test_a_page_may_fetch_from_here_alone(client: AsyncClient, path: str) -> None:
    reply = await client.get(path)
    assert reply.status_code == 200
    policy = reply.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "http" not in policy
    assert reply.headers["referrer-policy"] == "no-referrer"
    assert reply.headers["x-content-type-options"] == "nosniff"
    for script in re.findall(r'<script type="importmap">(.*?)</script>', reply.text, re.DOTALL):
        digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
        assert f"'sha256-{digest}'" in policy


def plain(page: str) -> str:
    """With the addresses as the source has them: without their release."""
    return re.sub(r"/~[0-9a-f]{16}/", "/", page)


async def test_every_file_that_the_pages_name_is_there(client: AsyncClient) -> None:
    named = set()
    for page in WEB.glob("*.html"):
        named |= set(re.findall(r'(?:href|src)="(/[^"]+)"', page.read_text()))
    for script in WEB.rglob("*.js"):
        for module in re.findall(r"from '(leeward/[^']+|leaflet)'", script.read_text()):
            named.add(module.replace("leeward/", "/web/"))
    named.discard("leaflet")
    assert len(named) > 30
    for path in sorted(named | {"/lib/leaflet/leaflet.js"}):
        reply = await client.get(path)
        assert reply.status_code == 200, path
        assert reply.headers["cache-control"].startswith("no-cache")
    assert (await client.get("/web/main.js")).headers["content-type"].startswith("text/javascript")


async def test_the_libraries_are_the_releases_that_were_tried(client: AsyncClient) -> None:
    assert "Leaflet 1.9.4" in (await client.get("/lib/leaflet/leaflet.js")).text[:200]
    assert "1.6.31" in (await client.get("/lib/uplot/uplot.iife.min.js")).text


async def test_a_page_asks_for_its_modules_and_sheets_as_one_file_each(client: AsyncClient) -> None:
    page = plain((await client.get("/")).text)
    assert re.findall(r'<script type="module" src="([^"]+)">', page) == ["/web/joined/main.js"]
    assert re.findall(r'rel="stylesheet" href="(/web/[^"]+)">', page) == ["/web/joined/index.css"]
    assert "@media" in (await client.get("/web/joined/index.css")).text
    script = await client.get("/web/joined/main.js")
    assert script.headers["content-type"].startswith("text/javascript")
    inside = set(
        re.findall(r"^const \$\d+ = \(\(\) => \{ // (/web/\S+)$", script.text, re.MULTILINE)
    )
    assert {"/web/main.js", "/web/map/grid.js", "/web/leaflet.js"} <= inside
    ours = {f"/web/{path.relative_to(WEB).as_posix()}" for path in WEB.rglob("*.js")}
    only_elsewhere = {
        "beacon",
        "debrief",
        "enter",
        "links",
        "palette",
        "service-worker",
        "show",
        "types",
        "walk",
        "walker",
        "words/story",
    }
    only_elsewhere |= {f"show/{name}" for name in ("figures", "map", "names", "story")}
    in_the_worker = {"drawing", "mvt", "nearest", "paint", "prepare", "schemas", "worker"}
    only_elsewhere |= {f"map/vector/{name}" for name in in_the_worker}
    assert ours - inside == {f"/web/{name}.js" for name in only_elsewhere}
    walk = (await client.get("/web/joined/walk.js")).text
    assert "/web/walker.js" in walk
    assert "map.js" not in walk
    assert (await client.post("/web/joined/main.js")).status_code == 405


async def test_files_are_packed_once_and_read_anew_when_they_change(tmp_path: Path) -> None:
    (tmp_path / "a.js").write_text("// one\n" * 100)
    files = Files(directory=tmp_path)
    async with AsyncClient(transport=ASGITransport(files), base_url=BASE) as client:
        first = await client.get("/a.js", headers={"Accept-Encoding": "gzip"})
        assert first.headers["content-encoding"] == "gzip"
        assert first.text == "// one\n" * 100
        plain = await client.get("/a.js", headers={"Accept-Encoding": "identity"})
        assert "content-encoding" not in plain.headers
        (tmp_path / "a.js").write_text("// two")
        assert (await client.get("/a.js")).text == "// two"


async def test_an_unchanged_file_is_not_sent_again(client: AsyncClient) -> None:
    for path in ("/", "/web/main.js", "/web/joined/main.js"):
        tag = (await client.get(path)).headers["etag"]
        assert (await client.get(path, headers={"If-None-Match": tag})).status_code == 304


def texts() -> list[Path]:
    return [path for path in WEB.rglob("*.*") if path.suffix not in (".png", ".pmtiles")]


def test_our_files_name_no_other_host() -> None:
    for path in texts():
        text = path.read_text()
        addresses = set(re.findall(r"\b(?:https?|wss?)://[\w.]+", text))
        # the name of SVG's namespace, and a link to hand a place over, which a reader touches
        assert addresses <= {"http://www.w3.org", "https://www.openstreetmap.org"}, path


def test_our_scripts_read_no_markup_from_data() -> None:
    banned = re.compile(r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\(")
    for path in WEB.rglob("*.js"):
        assert not banned.search(path.read_text()), path


@pytest.mark.parametrize("path", ["/web/../pyproject.toml", "/web/%2e%2e/pyproject.toml", "/web/"])
async def test_no_file_outside_the_page(client: AsyncClient, path: str) -> None:
    assert (await client.get(path)).status_code == 404


def test_the_paths_of_this_machine_are_in_no_page() -> None:
    root = Path(__file__).parents[2]
    for path in texts():
        assert str(root) not in path.read_text()
