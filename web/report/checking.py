"""A sheet against what its raw streams give now, line by line."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from difflib import SequenceMatcher
from pathlib import Path
from typing import Any, Literal

from capture.fingerprint import fingerprints
from web.report.gather import Stated, drawing_library, gather, parse_setup_text, program_version
from web.report.page import render_page
from web.report.reading import Line, Parts, SheetFileError, read_sheet, take_apart
from web.report.view import view

Word = Literal["same", "different", "not compared"]


@dataclass(frozen=True, slots=True)
class Finding:
    """One line of the check: what the sheet states and what comes out now."""

    word: Word
    section: str
    stated: str
    now: str

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class Check:
    """The whole check."""

    findings: tuple[Finding, ...]

    @property
    def same(self) -> bool:
        """Nothing differs."""
        return not any(f.word == "different" for f in self.findings)


def check(sheet: Path, streams: Sequence[Path] = ()) -> Check:
    """Work a sheet out again from its raw streams.

    Parameters
    ----------
    sheet : Path
        A page written by ``report``.
    streams : sequence of Path
        Raw streams that no longer lie where the sheet says; each is known by its SHA-256, whatever its name.

    Raises
    ------
    CaptureError
        If the sheet is none, or a stream it names is not found.
    """
    stated = read_sheet(sheet)
    return compare(stated, take_apart(again(sheet, stated, streams)))


def again(sheet: Path, stated: Parts, streams: Sequence[Path] = ()) -> str:
    """The page as it is written now, from the raw streams and the set-up a sheet names."""
    record = stated.record
    moved = {fingerprints(p)[0].sha256: p for p in streams}
    places = [(_place(s, sheet, moved), s["path"]) for s in record["streams"]]
    setup = record["setup"]
    matter = gather(
        places,
        None if setup is None else parse_setup_text(setup["name"], setup["text"]),
        Stated(record["written"], record["version"], record["drawn_with"], record["unit"], record["by"]),
    )
    return render_page(view(matter))


def compare(stated: Parts, now: Parts) -> Check:
    """A sheet's parts against those that come out now, each line a finding."""
    findings = [*_streams(stated, now), *lines_compared(stated.lines, now.lines), *figures_compared(stated, now)]
    if stated.rest != now.rest and all(f.word != "different" for f in findings):
        wrote, here = stated.record["version"], program_version()
        what = "structure and style"
        if wrote != here:
            findings.append(Finding("not compared", "page", f"{what}, {wrote}", f"{what}, {here}"))
        else:
            findings.append(Finding("different", "page", what, "not what this version writes"))
    return Check(tuple(findings))


def _place(stream: dict[str, Any], sheet: Path, moved: dict[str, Path]) -> Path:
    digest = str(stream["files"][0]["sha256"])
    if digest in moved:
        return Path(moved[digest])
    path = sheet.parent / str(stream["path"])
    if path.is_file():
        return path
    raise SheetFileError(
        f"{sheet}: the raw stream {stream['path']} is not there. Put it back, or give it where it lies now: "
        f"shimwright verify {sheet} STREAM (SHA-256 {digest})"
    )


def _streams(stated: Parts, now: Parts) -> Iterator[Finding]:
    """The raw streams are the bytes the sheet was made from."""
    for old, new in zip(stated.record["streams"], now.record["streams"], strict=True):
        was = {f["name"]: f["sha256"] for f in old["files"]}
        there = {f["name"]: f["sha256"] for f in new["files"]}
        # The first file may bear another name now.
        if len(was) == 1 and len(there) == 1:
            was, there = {old["path"]: next(iter(was.values()))}, {old["path"]: next(iter(there.values()))}
        for name in dict.fromkeys((*was, *there)):
            a, b = was.get(name, "not on the sheet"), there.get(name, "not there")
            yield Finding("same" if a == b else "different", "raw stream", f"{name} {a}", f"{name} {b}")


def lines_compared(stated: Sequence[Line], now: Sequence[Line]) -> Iterator[Finding]:
    """Visible lines in order: the same, or what stands there instead."""
    a, b = [(x.section, x.text) for x in stated], [(x.section, x.text) for x in now]
    for tag, i1, i2, j1, j2 in SequenceMatcher(a=a, b=b, autojunk=False).get_opcodes():
        if tag == "equal":
            for section, text in a[i1:i2]:
                yield Finding("same", section, text, text)
            continue
        for k in range(max(i2 - i1, j2 - j1)):
            section, old = a[i1 + k] if i1 + k < i2 else ("", "")
            where, new = b[j1 + k] if j1 + k < j2 else ("", "")
            yield Finding("different", section or where, old or "nothing", new or "nothing")


def figures_compared(stated: Parts, now: Parts) -> Iterator[Finding]:
    """Drawings are compared to the byte where the same library draws them; their words were compared with the lines."""
    drawn, library = stated.record.get("drawn_with"), drawing_library()
    if len(stated.figures) != len(now.figures):
        yield Finding("different", "figures", f"{len(stated.figures)} drawings", f"{len(now.figures)} drawings")
    for n, (a, b) in enumerate(zip(stated.figures, now.figures, strict=False), start=1):
        if a == b:
            yield Finding("same", "figures", f"drawing {n}", f"drawing {n}")
        elif drawn != library:
            yield Finding("not compared", "figures", f"drawing {n}, {drawn}", f"drawing {n}, {library}")
        else:
            yield Finding("different", "figures", f"drawing {n}", "not what is drawn now")
