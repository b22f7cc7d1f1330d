"""A sheet taken apart again: its lines, its figures, its record."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

from capture.errors import CaptureError
from web.report.gather import FORMAT
from web.report.seal import Seal, seal_of, unsealed

_ENDS = {"p", "tr", "li", "caption", "h1", "h2", "pre", "title", "desc"}
_CELLS = {"td", "th"}
_MUTE = {"script", "style"}


class SheetFileError(CaptureError):
    """A sheet that cannot be checked."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line as a reader sees it, and the section it stands in."""

    section: str
    text: str


@dataclass(slots=True)
class Parts:
    """A sheet in parts.

    Attributes
    ----------
    lines : list of Line
        Every visible line and every figure's words.
    figures : list of str
        The drawings as they stand in the page.
    rest : str
        The page without drawings, words and record: its structure and style.
    record : dict
        What the sheet says it was made from.
    seal : Seal
        Whether the page is what the sum it bears says.
    """

    lines: list[Line]
    figures: list[str]
    rest: str
    record: dict[str, Any] = field(default_factory=dict)
    seal: Seal = "none"


def read_sheet(path: Path) -> Parts:
    """The parts of a sheet.

    Raises
    ------
    SheetFileError
        If it cannot be read or is no sheet of a version this program knows.
    """
    if path.suffix.lower() == ".pdf":
        raise SheetFileError(f"{path}: a PDF cannot be checked; give the .html sheet that was written beside it")
    try:
        text = path.read_bytes().decode("utf-8")
    except FileNotFoundError:
        raise SheetFileError(f"{path}: no such file") from None
    except (OSError, UnicodeDecodeError) as e:
        raise SheetFileError(f"{path} cannot be read: {getattr(e, 'strerror', None) or e}") from None
    parts = take_apart(text)
    if not parts.record:
        raise SheetFileError(f"{path}: not a sheet written by shimwright report (its record is missing or damaged)")
    if parts.record.get("format") != FORMAT:
        raise SheetFileError(
            f"{path}: format is {parts.record.get('format')!r}; this version checks {FORMAT!r}. Use the version that wrote it, or a newer one."
        )
    _check(path, parts.record)
    return parts


def take_apart(text: str) -> Parts:
    """Lines, figures, rest, record and seal of a page."""
    seal = seal_of(text)
    text = unsealed(text)
    reader = _Reader()
    reader.feed(text)
    reader.close()
    figures = re.findall(r"<svg\b.*?</svg>", text, flags=re.DOTALL)
    try:
        record = json.loads(reader.record)
    except (ValueError, RecursionError):
        record = {}
    skeleton = re.sub(r"<svg\b.*?</svg>", "<svg/>", text, flags=re.DOTALL)
    skeleton = re.sub(r"<script\b.*?</script>", "<script/>", skeleton, flags=re.DOTALL)
    style = "".join(re.findall(r"<style>.*?</style>", skeleton, flags=re.DOTALL))
    tags = re.findall(r"<[^>]*>", re.sub(r"<style>.*?</style>", "<style/>", skeleton, flags=re.DOTALL))
    return Parts(reader.lines, figures, style + "\n".join(tags), record if isinstance(record, dict) else {}, seal)


def _check(path: Path, record: dict[str, Any]) -> None:
    """The record has the shape this program writes."""
    streams, setup = record.get("streams"), record.get("setup")
    good = (
        isinstance(streams, list)
        and len(streams) > 0
        and all(isinstance(s, dict) and isinstance(s.get("path"), str) and _files(s.get("files")) for s in streams)
        and all(isinstance(record.get(k), str) for k in ("version", "drawn_with", "written"))
        and all(record.get(k) is None or isinstance(record[k], str) for k in ("unit", "by"))
        and (
            setup is None or (isinstance(setup, dict) and all(isinstance(setup.get(k), str) for k in ("name", "text")))
        )
    )
    if not good:
        raise SheetFileError(
            f"{path}: the sheet's record of its streams and set-up is damaged, so nothing can be checked"
        )


def _files(files: Any) -> bool:
    return (
        isinstance(files, list)
        and len(files) > 0
        and all(
            isinstance(f, dict) and isinstance(f.get("name"), str) and isinstance(f.get("sha256"), str) for f in files
        )
    )


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.lines: list[Line] = []
        self.record = ""
        self._section = ""
        self._text: list[str] = []
        self._mute = 0
        self._recording = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in _MUTE:
            self._mute += 1
            self._recording = tag == "script" and dict(attrs).get("id") == "shimwright-sheet"
        elif tag in _ENDS:
            self._end()

    def handle_endtag(self, tag: str) -> None:
        if tag in _MUTE:
            self._mute = max(0, self._mute - 1)
            self._recording = False
        elif tag in _CELLS:
            self._text.append("\x1f")
        elif tag in _ENDS:
            self._end(heading=tag in ("h1", "h2"))

    def handle_data(self, data: str) -> None:
        if self._recording:
            self.record += data
        elif not self._mute:
            self._text.append(data)

    def close(self) -> None:
        super().close()
        self._end()

    def _end(self, heading: bool = False) -> None:
        whole = "".join(self._text)
        self._text = []
        cells = [" ".join(c.split()) for c in whole.split("\x1f")]
        text = " | ".join(c for c in cells if c)
        if heading:
            self._section = text
        if text:
            self.lines.append(Line(self._section, text))
