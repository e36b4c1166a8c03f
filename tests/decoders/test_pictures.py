"""Signatures of pictures, as an independent library writes them."""

from __future__ import annotations

import io

import pytest
from PIL import Image

from decoders.pictures import media_type


@pytest.mark.parametrize("kind", ["PNG", "JPEG", "WEBP"])
def test_what_a_library_wrote_is_told(kind: str) -> None:
    file = io.BytesIO()
    Image.new("RGB", (8, 8), "red").save(file, kind)
    assert media_type(file.getvalue()) == f"image/{kind.lower()}"


@pytest.mark.parametrize("body", [b"", b"\x89PNG", b"RIFF\0\0\0\0WAVE", b"GIF89a", b"<svg/>"])
def test_anything_else_is_none(body: bytes) -> None:
    assert media_type(body) is None


def test_the_brand_of_avif() -> None:
    assert media_type(b"\0\0\0\x1cftypavif\0\0\0\0") == "image/avif"
