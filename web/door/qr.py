"""The address and code as a picture for a phone's camera (ISO/IEC 18004)."""

from __future__ import annotations

import io

QUIET_ZONE = 4
"""Modules of white around it, as the standard asks."""


def as_svg(text: str) -> bytes:
    """The picture; black on white whatever the page's colours are, since cameras read it so."""
    import segno

    out = io.BytesIO()
    segno.make_qr(text, error="m").save(
        out, kind="svg", border=QUIET_ZONE, dark="#000", light="#fff", xmldecl=False, omitsize=True, svgclass=None
    )
    return out.getvalue()


def as_text(text: str) -> str:
    """The same in block characters, for a terminal."""
    import segno

    out = io.StringIO()
    segno.make_qr(text, error="m").terminal(out, border=QUIET_ZONE, compact=True)
    return out.getvalue()
