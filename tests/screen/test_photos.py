"""Photos of what was found: by content alone, bounded, from the crew, and named by this station."""

from __future__ import annotations

import hashlib
import io
from pathlib import Path

import pytest
from fastapi import FastAPI
from PIL import Image

from server.journal.photos import MAX_PHOTO_BYTES, MOST_PHOTOS, PhotoError, Photos, photos_beside
from server.screen.access import ScreenSettings
from server.screen.app import create_app
from tests.screen.demo_feed import DemoFeed
from tests.screen.test_access import KEYS, asking


def picture(kind: str, shade: int = 90) -> bytes:
    """As the library Pillow writes it."""
    body = io.BytesIO()
    Image.new("RGB", (8, 8), (shade, 120, 40)).save(body, kind)
    return body.getvalue()


def made(photos: Photos | None) -> FastAPI:
    settings = ScreenSettings(keys=KEYS, guarded=True)
    return create_app(DemoFeed(), settings=settings, photos=photos, clock=lambda: 0.0)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
async def test_what_the_crew_puts_everybody_with_a_key_sees(tmp_path: Path, kind: str) -> None:
    app, body = made(photos_beside(tmp_path / "tern.sqlite3")), picture(kind)
    async with asking(app, key=KEYS.crew) as crew, asking(app, key=KEYS.watch) as watcher:
        put = await crew.post("/api/photo", content=body)
        assert put.status_code == 201
        name = put.json()["photo"]
        assert name == hashlib.sha256(body).hexdigest()
        assert (await crew.post("/api/photo", content=body)).json() == {"photo": name}
        got = await watcher.get(f"/api/photo/{name}")
        assert got.content == body
        assert got.headers["content-type"] == f"image/{kind.lower()}"
        assert got.headers["x-content-type-options"] == "nosniff"
        assert (await watcher.post("/api/photo", content=body)).status_code == 403
    async with asking(app) as stranger:
        assert (await stranger.get(f"/api/photo/{name}")).status_code == 401
        assert (await stranger.post("/api/photo", content=body)).status_code == 401
    assert [path.name[:64] for path in (tmp_path / "tern.photos").iterdir()] == [name]


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"GIF89a" + bytes(20),
        b"<svg xmlns='http://www.w3.org/2000/svg'/>",
        b"RIFF1234WAVE",
        b"MZ",
    ],
)
async def test_nothing_else_is_kept(tmp_path: Path, body: bytes) -> None:
    app = made(Photos(tmp_path / "photos"))
    async with asking(app, key=KEYS.crew) as crew:
        headers = {"Content-Type": "image/jpeg"}  # whatever it calls itself
        assert (await crew.post("/api/photo", content=body, headers=headers)).status_code == 422
    assert not (tmp_path / "photos").exists()


async def test_a_large_one_is_refused_before_it_is_read_whole(tmp_path: Path) -> None:
    app = made(Photos(tmp_path / "photos"))
    async with asking(app, key=KEYS.crew) as crew:
        body = picture("JPEG") + bytes(MAX_PHOTO_BYTES)
        assert (await crew.post("/api/photo", content=body)).status_code == 413


async def test_names_reach_no_other_file(tmp_path: Path) -> None:
    (tmp_path / "secret.jpg").write_bytes(picture("JPEG"))
    app = made(Photos(tmp_path / "photos"))
    async with asking(app, key=KEYS.crew) as crew:
        for name in ("..%2Fsecret", "../secret", "a" * 64, "A" * 64, "%00", "x" * 5_000):
            assert (await crew.get(f"/api/photo/{name}")).status_code == 404
    async with asking(made(None), key=KEYS.crew) as crew:
        assert (await crew.post("/api/photo", content=picture("PNG"))).status_code == 409


def test_a_hundred_are_kept_and_a_full_folder_says_so(tmp_path: Path) -> None:
    photos = Photos(tmp_path / "photos")
    names = {photos.keep(picture("PNG", shade)) for shade in range(MOST_PHOTOS)}
    assert len(names) == MOST_PHOTOS
    with pytest.raises(PhotoError, match="no more"):
        photos.keep(picture("PNG", 200))
    assert photos.keep(picture("PNG", 3)) in names, "one that is here already is no further one"
