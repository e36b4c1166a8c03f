"""What a browser keeps: files by their release, the worker, the manifest, and whose all of it is."""

from __future__ import annotations

import hashlib
import hmac
import json
import re
import shutil
from pathlib import Path

import pytest
from httpx import ASGITransport, AsyncClient
from PIL import Image

from server.screen import app as app_module
from server.screen import assets
from server.screen.access import ScreenSettings
from server.screen.app import create_app
from server.screen.keys import Keys
from tests.screen.demo_feed import DemoFeed

BASE = "http://127.0.0.1:8000"
KEYS = Keys("the-watchers-own-key", "the-crews-own-key")


def asking(settings: ScreenSettings | None = None) -> AsyncClient:
    transport = ASGITransport(create_app(DemoFeed(), settings=settings))
    return AsyncClient(transport=transport, base_url=BASE)


def our_own_files(to: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The page's files in a folder that a test may change."""
    web = to / "web"
    shutil.copytree(assets.WEB, web, ignore=shutil.ignore_patterns("shots"))
    for module in (assets, app_module):
        monkeypatch.setattr(module, "WEB", web)
    return web


async def test_all_that_a_page_loads_is_of_one_release(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    web = our_own_files(tmp_path, monkeypatch)
    async with asking() as client:
        page = await client.get("/")
        asked = re.findall(r'(?:href|src)="(/(?:web|lib)/[^"]+)"', page.text)
        assert len(asked) == 9
        assert {re.findall(r"~([0-9a-f]{16})/", address)[0] for address in asked} == {
            page.headers["leeward-release"]
        }
        for address in asked:
            reply = await client.get(address)
            assert reply.status_code == 200, address
            assert "immutable" in reply.headers["cache-control"]
        # another content: the old page gets what it was made of, and nothing once a newer page was sent
        with (web / "words.js").open("a") as file:
            file.write("// changed\n")
        [script] = [address for address in asked if address.endswith("/joined/main.js")]
        assert "// changed" not in (await client.get(script)).text
        newer = await client.get("/")
        assert newer.headers["leeward-release"] != page.headers["leeward-release"]
        now = re.findall(r'"(/web/~[^"]+/joined/main.js)"', newer.text)[0]
        assert "// changed" in (await client.get(now)).text
        for address in asked:
            assert (await client.get(address)).status_code == 404, "all of the old release is gone"
        # a file that was changed after the page was sent is not sent to that page
        with (web / "palette.js").open("a") as file:
            file.write("// changed again\n")
        palette = re.findall(r'"(/web/~[^"]+/palette.js)"', newer.text)[0]
        assert (await client.get(palette)).status_code == 404


async def test_in_the_middle_of_an_update_there_is_no_page(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    web = our_own_files(tmp_path, monkeypatch)
    whole = (web / "words.js").read_bytes()
    async with asking() as client:
        (web / "words.js").write_bytes(whole[: len(whole) // 2])
        reply = await client.get("/")
        assert reply.status_code == 503
        assert "Load the page again" in reply.text
        (web / "words.js").write_bytes(whole)
        assert (await client.get("/")).status_code == 200


async def test_the_worker_names_every_file_and_changes_with_the_release(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    web = our_own_files(tmp_path, monkeypatch)
    async with asking(ScreenSettings(keys=KEYS, guarded=True)) as client:  # without a key
        reply = await client.get("/service-worker.js")
        assert reply.status_code == 200
        assert reply.headers["content-type"].startswith("text/javascript")
        assert reply.headers["cache-control"] == "no-cache"
        assert "connect-src 'self'" in reply.headers["content-security-policy"]
        told = json.loads(reply.text.splitlines()[0].removeprefix("globalThis.LEEWARD = ")[:-1])
        paths = {re.sub(r"~[0-9a-f]+/", "", address) for address in told["files"]}
        wanted = {"map/vector/worker.js", "map/vector/drawing.js", "main.js", "index.css"}
        assert {f"/web/joined/{name}" for name in wanted} <= paths
        assert {"/web/palette.js", "/lib/leaflet/leaflet.js"} <= paths
        assert not {"/web/main.js", "/web/style.css"} & paths, "they are in what is joined"
        assert not [path for path in paths if path.endswith((".pmtiles", ".md", ".html"))]
        for address in told["files"]:
            assert (await client.get(address)).status_code == 200, address
        with (web / "words.js").open("a") as file:
            file.write("// changed\n")
        assert (await client.get("/service-worker.js")).text != reply.text


async def test_the_manifest(tmp_path: Path) -> None:
    async with asking(ScreenSettings(keys=KEYS, guarded=True)) as client:
        manifest = (await client.get("/manifest.webmanifest")).json()
        for icon in manifest["icons"]:
            reply = await client.get(icon["src"])
            assert reply.headers["content-type"] == icon["type"]
            if icon["type"] == "image/png":
                (tmp_path / "icon.png").write_bytes(reply.content)
                with Image.open(tmp_path / "icon.png") as image:
                    assert icon["sizes"] == f"{image.width}x{image.height}"


async def test_the_owner_is_other_for_each_role_and_key() -> None:
    """HMAC (RFC 2104) by Python's own library; the page works it out with WebCrypto."""
    owners = {}
    async with asking(ScreenSettings(keys=KEYS, guarded=True)) as client:
        for role, key in (("watch", KEYS.watch), ("crew", KEYS.crew)):
            me = await client.get("/api/me", headers={"Authorization": f"Bearer {key}"})
            owners[role] = me.json()["owner"]
            text = b"leeward: what a device keeps"
            assert owners[role] == hmac.new(key.encode(), text, hashlib.sha256).hexdigest()
    assert owners["watch"] != owners["crew"]
    async with asking() as client:
        assert (await client.get("/api/me")).json()["owner"] == "open"
