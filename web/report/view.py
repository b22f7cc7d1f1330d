"""The content of a sheet."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from typing import Any

from web.report import words
from web.report.gather import Matter, SetupText
from web.report.model import Blanks, Block, Facts, Points, Section, Sheet, Table, Text, Verbatim
from web.report.sets import set_sections


def view(matter: Matter) -> Sheet:
    """The sheet for what was gathered."""
    sections: list[Section] = []
    if matter.setup is not None:
        sections.append(_setup(matter.setup))
    for n, source in enumerate(matter.sources, start=1):
        sections += set_sections(n, source, matter.setup)
    sections.append(_open(matter))
    sections.append(_evidence(matter))
    sections.append(Section("cautions", "Cautions", (Text(words.INFORMS), Points(words.CAUTIONS))))
    sections.append(Section("signed", "Filled in by hand", (Blanks(_blanks(matter)),)))
    return Sheet(words.TITLE, tuple(_lead(matter)), tuple(sections), matter.record())


def _lead(matter: Matter) -> Iterator[Block]:
    s = matter.stated
    rows = [("unit", s.unit or words.NOT_STATED, ""), ("measured by", s.by or words.NOT_STATED, "")]
    rows.append(("sheet written", s.written, f"shimwright {s.version}"))
    yield Facts(tuple(rows))
    unit = "in" if matter.setup is not None and matter.setup.setup.units == "in" else "mm"
    head = ("set", "recorded", f"distance, {unit}", "± (95 %)", "error", "ruling")
    rows6 = []
    for n, x in enumerate(matter.sources, start=1):
        d = x.result["depth"]
        verdict = words.RULINGS[d["ruling"]] if d["distance_mm"] is not None else "no distance"
        rows6.append(
            (
                str(n),
                x.run.header.started or words.NOT_STATED,
                _in(d["distance_mm"], unit),
                _in(d.get("U95_mm"), unit),
                _in(d.get("error_mm"), unit, sign=True),
                verdict,
            )
        )
    yield Table(head, tuple(rows6), (2, 3, 4), "What was found")
    for n, x in enumerate(matter.sources, start=1):
        d, shim = x.result["depth"], x.result["shim"]
        name = f"Set {n}: " if len(matter.sources) > 1 else ""
        if d["distance_mm"] is None:
            yield Text(f"{name}{d['reason']}", "warning")
        if x.result["play"]["finding"] in ("present", "suspected"):
            yield Text(f"{name}{x.result['play']['say']}", "warning")
        if shim is not None:
            yield Text(f"{name}{shim['say']}", "answer")
    yield Text(words.INFORMS, "warning")


def _in(value_mm: float | None, unit: str, sign: bool = False) -> str:
    if value_mm is None:
        return "–"
    plus = "+" if sign else ""
    return f"{value_mm / 25.4:{plus}.5f}" if unit == "in" else f"{value_mm:{plus}.4f}"


def _setup(setup: SetupText) -> Section:
    rows: list[tuple[str, str, str]] = []
    for key, value in _flat(setup.values):
        if key.startswith(("shims.stock", "shims.order_grades", "carrier.", "preload.")):
            continue
        text = str(value).lower() if isinstance(value, bool) else str(value)
        if key in words.LENGTHS:
            text += f" {setup.setup.units}"
        rows.append((words.NAMES.get(key, key), text, key))
    blocks: list[Block] = [Facts(tuple(rows))]
    target = setup.setup.target
    if target is not None:
        blocks.append(Text(f"Target: {target.say} ({setup.setup.units})."))
        if target.warning:
            blocks.append(Text(target.warning, "warning"))
    if setup.setup.shims.stock:
        stock = [
            (p.id or f"#{i}", f"{p.thickness} {setup.setup.units}", str(p.count))
            for i, p in enumerate(setup.setup.shims.stock, start=1)
        ]
        blocks.append(Table(("piece", "thickness", "number"), tuple(stock), (1, 2), "Shims in the box"))
    return Section("setup", f"Set-up as read from {setup.name}", tuple(blocks))


def _flat(values: dict[str, Any], before: str = "") -> Iterator[tuple[str, Any]]:
    for key, value in values.items():
        name = f"{before}{key}"
        if isinstance(value, dict):
            yield from _flat(value, f"{name}.")
        else:
            yield name, value


def _open(matter: Matter) -> Section:
    many = len(matter.sources) > 1
    items = [
        f"Set {n}: {item}" if many else item
        for n, x in enumerate(matter.sources, start=1)
        for item in words.open_in_set(x.result)
    ]
    items += words.open_in_setup(None if matter.setup is None else matter.setup.setup)
    return Section("open", "What was not checked", (Points((*items, *words.NOT_ON_THIS_SHEET)),))


def _evidence(matter: Matter) -> Section:
    rows = [
        (x.shown if i == 0 else f.name, f"{f.size}", f.sha256) for x in matter.sources for i, f in enumerate(x.files)
    ]
    if matter.setup is not None:
        text = matter.setup.text.encode("utf-8")
        rows.append((f"{matter.setup.name}, as text below", f"{len(text)}", hashlib.sha256(text).hexdigest()))
    blocks: list[Block] = [Table(("file", "bytes", "SHA-256"), tuple(rows), (1,))]
    blocks.append(
        Text(
            "Everything on this sheet but the names and the date can be worked out again from these streams: "
            "shimwright verify with the .html sheet says line by line whether it is the same."
        )
    )
    blocks.append(
        Facts((words.program(matter.stated.version, matter.stated.program), ("figures", matter.stated.drawn_with, "")))
    )
    if matter.setup is not None:
        blocks.append(Verbatim(matter.setup.text))
    return Section("evidence", "Evidence", tuple(blocks))


def _blanks(matter: Matter) -> tuple[str, ...]:
    labels = []
    if not matter.stated.unit:
        labels.append("Unit and serial number")
    if not matter.stated.by:
        labels.append("Measured by")
    return (
        *labels,
        "Gear set (pair numbers)",
        "Pieces fitted",
        "Deviations, and who allowed them",
        "Date and signature",
    )
