"""Which kind of picture some bytes are, by their signature and not by what somebody called them.

JPEG: ISO 10918-1; PNG: ISO 15948; WebP: RFC 9649; AVIF: ISO 14496-12 with the brand of AV1 Image File Format.
"""

from __future__ import annotations


def media_type(picture: bytes) -> str | None:
    """As in RFC 6838; None when it is no picture that browsers draw."""
    if picture.startswith(b"\x89PNG\r\n\x1a\n"):
        return "image/png"
    if picture.startswith(b"\xff\xd8\xff"):
        return "image/jpeg"
    if picture[:4] == b"RIFF" and picture[8:12] == b"WEBP":
        return "image/webp"
    if picture[4:12] == b"ftypavif":
        return "image/avif"
    return None
