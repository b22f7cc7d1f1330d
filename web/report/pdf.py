"""A sheet as a tagged PDF, by the extra ``[pdf]``."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

from capture.errors import CaptureError
from web.report.model import Block, Sheet

SOURCE = r"""
#let data = json("sheet.json")
#set document(title: data.title, date: none)
#set page(paper: "a4", margin: (x: 17mm, top: 16mm, bottom: 18mm), numbering: "1 / 1")
#set text(size: 9.5pt, lang: "en")
#set par(leading: 0.6em)
#set table(stroke: (x, y) => (bottom: 0.4pt + rgb("#cfc8b8")), inset: (x: 3pt, y: 3pt))
#show heading.where(level: 1): set text(size: 16pt, fill: rgb("#14424c"))
#show heading.where(level: 2): set text(size: 12pt, fill: rgb("#14424c"))
#show heading.where(level: 2): set block(above: 1.4em, below: 0.7em)
#show regex("[/_\\\\]"): it => it + sym.zws
#let cell(body, number) = if number { align(right, body) } else { body }
#let bar(body, size, mark) = block(stroke: (left: mark), inset: (left: 8pt, y: 2pt), text(size: size, body))
#let show-block(b) = {
  if b.kind == "facts" {
    table(columns: (34%, 1fr, 30%), ..b.rows.map(r => (text(fill: rgb("#4d5a5f"), r.at(0)), strong(r.at(1)), text(fill: rgb("#4d5a5f"), r.at(2)))).flatten())
  } else if b.kind == "table" {
    if b.title != "" { block(strong(b.title), sticky: true) }
    set text(size: 8pt) if b.head.len() > 5
    table(
      columns: b.widths.map(w => w * 1fr),
      table.header(..b.head.enumerate().map(((i, h)) => cell(strong(h), b.numbers.contains(i)))),
      ..b.rows.map(r => r.enumerate().map(((i, c)) => cell(c, b.numbers.contains(i)))).flatten(),
    )
  } else if b.kind == "text" {
    if b.weight == "answer" { bar(strong(b.text), 10.5pt, 3pt + rgb("#14424c")) }
    else if b.weight == "warning" { bar(b.text, 9.5pt, (paint: rgb("#7a5200"), thickness: 3pt, dash: "densely-dotted")) }
    else { par(b.text) }
  } else if b.kind == "points" {
    list(..b.items)
  } else if b.kind == "picture" {
    image(b.file, width: 100%, alt: b.alt)
  } else if b.kind == "verbatim" {
    block(stroke: 0.4pt + rgb("#cfc8b8"), inset: 6pt, width: 100%, text(size: 7.5pt, raw(b.text, block: true)))
  } else if b.kind == "blanks" {
    table(columns: (34%, 1fr), rows: 9mm, align: bottom, ..b.labels.map(l => (l, "")).flatten())
  }
}
= #data.title
#for b in data.lead { show-block(b) }
#for s in data.sections {
  heading(level: 2, s.title)
  for b in s.blocks { show-block(b) }
}
"""


def need_typst() -> None:
    """Say what to do where the extra is not installed.

    Raises
    ------
    CaptureError
    """
    try:
        import typst  # type: ignore[import-not-found, unused-ignore]  # noqa: F401 - only whether it is there
    except ImportError:
        raise CaptureError(
            "a PDF needs the extra [pdf], which is not installed: pip install 'shimwright[pdf]'. Or write a .html sheet and print it from "
            "the browser: it has a print layout."
        ) from None


def render_pdf(sheet: Sheet, written: str) -> bytes:
    """The sheet as PDF, the same to the byte for the same sheet.

    Raises
    ------
    CaptureError
        If the extra is not installed, or the sheet cannot be set.
    """
    need_typst()
    import typst

    files: dict[str, bytes] = {"main.typ": SOURCE.encode("utf-8")}
    data = {
        "title": sheet.title,
        "lead": [_block(b, files) for b in sheet.lead],
        "sections": [{"title": s.title, "blocks": [_block(b, files) for b in s.blocks]} for s in sheet.sections],
    }
    files["sheet.json"] = json.dumps(data).encode("utf-8")
    when = int(datetime.fromisoformat(written.replace("Z", "+00:00")).timestamp())
    try:
        # Its annotations leave out the files by name that its documentation has.
        compiled: Any = typst.compile
        out = compiled(files, format="pdf", ignore_system_fonts=True, timestamp=when, pdf_standards=["ua-1"])
    except (RuntimeError, OSError) as e:
        raise CaptureError(
            f"the PDF could not be set: {e}. Write a .html sheet and print it from the browser."
        ) from None
    return bytes(out)


def _block(b: Block, files: dict[str, bytes]) -> dict[str, Any]:
    if b.kind == "picture":
        name = f"figure{len(files)}.svg"
        files[name] = b.figure.svg.encode("utf-8")
        return {"kind": b.kind, "file": name, "alt": b.figure.alt}
    if b.kind == "facts":
        return {"kind": b.kind, "rows": b.rows}
    if b.kind == "table":
        return {
            "kind": b.kind,
            "title": b.title,
            "head": b.head,
            "rows": b.rows,
            "numbers": b.numbers,
            "widths": _widths(b.head, b.rows),
        }
    if b.kind == "text":
        return {"kind": b.kind, "text": b.text, "weight": b.weight}
    if b.kind == "points":
        return {"kind": b.kind, "items": b.items}
    if b.kind == "verbatim":
        return {"kind": b.kind, "text": b.text}
    return {"kind": b.kind, "labels": b.labels}


def _widths(head: tuple[str, ...], rows: tuple[tuple[str, ...], ...]) -> list[float]:
    """Shares of the width, by the longest entry of each column."""
    longest = [max(len(x) for x in column) for column in zip(head, *rows, strict=True)]
    return [min(max(n, 5), 40) for n in longest]
