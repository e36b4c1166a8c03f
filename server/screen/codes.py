"""QR codes (ISO/IEC 18004) as pictures: dark on light whatever the palette, for the reader's sake."""

from __future__ import annotations

import io

import segno

QUIET_ZONE = 4  # modules, as ISO/IEC 18004 wants


def qr_svg(text: str) -> bytes:
    out = io.BytesIO()
    code = segno.make(text, error="m", micro=False)
    code.save(out, kind="svg", border=QUIET_ZONE, dark="#000", light="#fff", scale=4)
    return out.getvalue()
