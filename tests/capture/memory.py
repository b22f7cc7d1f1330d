"""What a decoder holds on to."""

from __future__ import annotations

import tracemalloc

from capture.decoders.contract import Decoder


def kept_of_noise(decoder: Decoder) -> int:
    """Bytes held on to while a quarter of a million of noise pass, once the first of them have."""
    noise = bytes(range(256)) * 16
    decoder.feed(noise)
    tracemalloc.start()
    try:
        for _ in range(60):
            decoder.feed(noise)
        kept, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    return kept
