"""Readings and results as rows, and the identity of a stream."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from analysis.readings import Reading
from capture.rawstream import StreamHeader
from capture.rawstream.records import FORMAT, line_of, parse_header

Row = dict[str, Any]

_LARGEST = 1 << 63


def plain_name(path: Path) -> str:
    """Folder and file name of a stream, the same whether or not it is compressed."""
    path = Path(os.path.abspath(path))
    return f"{path.parent.name}/{path.name.removesuffix('.gz')}"


def as_on_disk(path: Path, header: StreamHeader) -> StreamHeader:
    """A header as it reads back from the file it was written to."""
    head = {"format": FORMAT, "started": header.started, "source": header.source, "profile": header.profile}
    return parse_header(path, line_of(head))


def stream_id(path: Path, header: StreamHeader) -> int:
    """Identity of a stream: 52 bits of a SHA-256 over its header and its name.

    It is known when the stream begins, does not change when the recordings are moved or compressed, and fits the numbers of
    every language the store may be asked from.
    """
    h = as_on_disk(path, header)
    whole = canonical([clean(plain_name(path)), h.started, h.source, h.profile])
    return int(hashlib.sha256(whole.encode("ascii")).hexdigest()[:13], 16)


def canonical(x: object) -> str:
    """JSON that is the same text for the same content, in plain ASCII."""
    return json.dumps(x, sort_keys=True, separators=(",", ":"), ensure_ascii=True, default=str)


def clean(text: str) -> str:
    """Text that every database takes: no zero characters, no halves of characters."""
    return text.replace("\x00", "\N{SYMBOL FOR NULL}").encode("utf-8", "replace").decode("utf-8")


def seconds(t: float) -> float:
    """A time as the raw stream has it."""
    return round(t, 6)


def stream_row(path: Path, header: StreamHeader) -> Row:
    """Row of a stream of which nothing is known but its beginning."""
    h = as_on_disk(path, header)
    return {
        "id": stream_id(path, header),
        "name": clean(plain_name(path)),
        "path": clean(os.path.abspath(path)),
        "source": clean(h.source),
        "profile": canonical(h.profile),
        "started": clean(h.started),
        "readings": 0,
        "bad_frames": 0,
        "state": "open",
        "sums": "[]",
        "note": "",
    }


def reading_row(stream: int, n: int, r: Reading) -> Row:
    """Row of one reading."""
    return {
        "stream": stream,
        "n": n,
        "t": seconds(r.t),
        "counts": r.counts if -_LARGEST <= r.counts < _LARGEST else None,
        "unit": r.scale.unit,
        "step": str(r.scale.step),
    }


def mark_row(stream: int, n: int, t: float, mark: str) -> Row:
    """Row of one mark."""
    return {"stream": stream, "n": n, "t": seconds(t), "mark": clean(mark)}


def link_row(stream: int, n: int, t: float, state: str, why: str) -> Row:
    """Row of one change of the link."""
    return {"stream": stream, "n": n, "t": seconds(t), "state": clean(state), "why": clean(why)}


def gap_rows(stream: int, result: Mapping[str, Any]) -> list[Row]:
    """Rows of a result's gaps."""
    return [
        {"stream": stream, "n": n, "start_s": g["start_s"], "end_s": g["end_s"], "why": g["why"]}
        for n, g in enumerate(result["gaps"], start=1)
    ]


_SWEEP = ("n", "start_s", "bottom_s", "end_s", "heading", "seat", "minimum_mm", "u_mm", "accepted")


def sweep_rows(stream: int, result: Mapping[str, Any]) -> list[Row]:
    """Rows of a result's sweeps."""
    return [
        {"stream": stream, **{k: s[k] for k in _SWEEP}, "reasons": canonical(s["reasons"]), "advice": s["advice"]}
        for s in result["sweeps"]
    ]


_SET = (
    "accepted",
    "rejected",
    "seats",
    "minimum_mm",
    "sd_mm",
    "seat_sd_mm",
    "repeatability_limit_mm",
    "u_mm",
    "dof",
    "drift_mm_per_min",
    "drift_p",
)
_DEPTH = ("distance_mm", "U95_mm", "error_mm", "ruling", "p_within")


def set_row(stream: int, result: Mapping[str, Any]) -> Row:
    """Row of a set, from the result of ``analyse --json`` without the stream's name."""
    whole = {k: v for k, v in result.items() if k != "stream"}
    depth = result["depth"]
    return {
        "stream": stream,
        **{k: result["set"][k] for k in _SET},
        "play": result["play"]["finding"],
        "play_mm": result["play"]["size_mm"],
        **{k: depth.get(k) for k in _DEPTH},
        "result": canonical(whole),
    }
