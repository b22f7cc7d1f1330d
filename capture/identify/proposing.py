"""Profiles that bytes might be explained by."""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import product

from capture.identify.frame_shapes import frame_proposals
from capture.identify.json_shapes import json_proposals
from capture.identify.ranking import Proposal
from capture.identify.text_shapes import is_text, text_proposals
from capture.profiles import known_profiles

PARITY_TEXT = 0.95
"""Share of bytes that are text but for the highest bit, from which on that bit is a parity bit."""


def proposals(data: bytes) -> Iterator[Proposal]:
    """Profiles to try, and in each the keys that are guesses; the likelier first."""
    for name, whence in known_profiles():
        if whence != "packaged":
            yield {"use": name}, []
    lines = [x for x in re.split(rb"[\r\n]+", data)[1:-1] if x.strip()]
    objects = list(json_proposals(lines))
    yield from objects
    text = is_text(data)
    if text and not objects:
        yield from text_proposals(data)
    for nibbles, bits in product(("high-first", "low-first", "one-a-byte"), ("high-first", "low-first")):
        yield {"use": "packed-decimal", "nibbles": nibbles, "bits": bits}, []
    yield {"use": "gatt-length"}, []
    for endian in ("little", "big"):
        yield {"use": "counted-binary", "endian": endian}, ["unit", "resolution"]
        yield {"use": "counted-binary", "endian": endian, "packets": "attribute"}, ["unit", "resolution"]
    # Text whose parity bits are taken for data is no frame.
    if not text and not is_text(bytes(b & 127 for b in data), PARITY_TEXT):
        yield from frame_proposals(data)
