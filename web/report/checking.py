"""A sheet against what its raw streams give now, line by line."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from difflib import SequenceMatcher
from pathlib import Path
from typing import Any, Literal

from capture.errors import CaptureError
from capture.fingerprint import fingerprints
from capture.stamp import Stamp, stamp, stamp_from
from web.report.apart import line_apart, skeleton
from web.report.gather import Stated, drawing_library, gather, parse_setup_text
from web.report.page import render_page
from web.report.reading import Line, Parts, SheetFileError, read_sheet, take_apart
from web.report.view import view

Word = Literal["same", "different", "not compared"]

Cause = Literal["", "changed", "missing", "cut off", "sheet", "computed", "follows"]
"""Why a line differs: a file is another, is not there, or lacks its end; the sheet itself was changed; all files are the same and this
program gives something else; or it follows from a file that is not the same."""

Verdict = Literal["same", "evidence", "computed", "ruling"]
"""All is the same; a file or the sheet is not what it was; all files are, and this program computes otherwise; and rules otherwise."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One line of the check: what the sheet states and what comes out now.

    Attributes
    ----------
    cause : Cause
        Why it differs; empty where it does not.
    um : float or None
        By how much its lengths differ at most, µm.
    ruling : bool
        What is ruled is another.
    """

    word: Word
    section: str
    stated: str
    now: str
    cause: Cause = ""
    um: float | None = None
    ruling: bool = False

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class Check:
    """The whole check.

    Attributes
    ----------
    wrote, here : Stamp or None
        The program that wrote the sheet, where it says so; the one that looked.
    sealed : bool
        The sheet bears a sum of itself: a change of it by hand is told from a program that computes otherwise.
    """

    findings: tuple[Finding, ...]
    wrote: Stamp | None = None
    here: Stamp | None = None
    sealed: bool = True

    @property
    def same(self) -> bool:
        """Nothing differs."""
        return not self.different

    @property
    def different(self) -> list[Finding]:
        """What differs."""
        return [f for f in self.findings if f.word == "different"]

    @property
    def verdict(self) -> Verdict:
        """What is the case."""
        found = self.different
        if not found:
            return "same"
        if any(f.cause != "computed" for f in found):
            return "evidence"
        return "ruling" if any(f.ruling for f in found) else "computed"

    @property
    def um(self) -> float | None:
        """By how much lengths differ at most, µm; None where none can be set against another."""
        found = [f.um for f in self.different if f.um is not None]
        return max(found) if found else None


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
    try:
        return compare(stated, take_apart(again(sheet, stated, streams)))
    except SheetFileError:
        raise
    except CaptureError as e:
        evidence = _files_alone(sheet, stated, streams)
        if all(f.word == "same" for f in evidence):
            raise
        now = Parts([], [], stated.rest)
        return judged(stated, [*evidence, Finding("not compared", "page", "every line", str(e))], [], now)


def _files_alone(sheet: Path, stated: Parts, streams: Sequence[Path]) -> list[Finding]:
    """The files of streams that nothing can be made of any more."""
    out: list[Finding] = []
    moved = {fingerprints(p)[0].sha256: p for p in streams if p.is_file()}
    for s in stated.record["streams"]:
        place = _place(s, sheet, moved)
        try:
            there = [{"name": f.name, "bytes": f.size, "sha256": f.sha256} for f in fingerprints(place)]
        except CaptureError as e:
            out.append(Finding("different", "raw stream", str(s["path"]), str(e), "changed"))
            continue
        out += _of_stream(s, list(s["files"]), there)
    return out


def again(sheet: Path, stated: Parts, streams: Sequence[Path] = ()) -> str:
    """The page as it is written now, from the raw streams and the set-up a sheet names."""
    record = stated.record
    moved = {fingerprints(p)[0].sha256: p for p in streams}
    places = [(_place(s, sheet, moved), s["path"]) for s in record["streams"]]
    setup = record["setup"]
    matter = gather(
        places,
        None if setup is None else parse_setup_text(setup["name"], setup["text"]),
        Stated(
            record["written"],
            record["version"],
            record["drawn_with"],
            record["unit"],
            record["by"],
            stamp_from(record.get("program")),
        ),
    )
    return render_page(view(matter))


def compare(stated: Parts, now: Parts) -> Check:
    """A sheet's parts against those that come out now, each line a finding."""
    evidence = list(streams_compared(stated, now))
    return judged(stated, evidence, [*lines_compared(stated.lines, now.lines), *figures_compared(stated, now)], now)


def judged(stated: Parts, evidence: Sequence[Finding], found: Iterable[Finding], now: Parts) -> Check:
    """Lines that differ, each with its cause.

    Parameters
    ----------
    stated, now : Parts
    evidence : sequence of Finding
        The files the sheet was made from, by their sums.
    found : iterable of Finding
        Its lines and drawings.
    """
    wrote, here = stamp_from(stated.record.get("program")), stamp()
    # A sheet that names its program bears a sum of itself: where that was taken off, somebody changed it.
    broken = stated.seal == "broken" or (stated.seal == "none" and wrote is not None)
    whole_files = all(f.word == "same" for f in evidence)
    findings = [*evidence, *found]
    if stated.rest != now.rest and all(f.word != "different" for f in findings):
        what = "structure and style"
        if broken or wrote == here:
            findings.append(Finding("different", "page", what, "not what was written"))
        else:
            findings.append(Finding("not compared", "page", f"{what}, {program_of(wrote)}", f"{what}, {here.say}"))
    if broken and all(f.word != "different" for f in findings):
        unseen = any(f.word == "not compared" for f in findings)
        say = "does not fit" if unseen else "does not fit; every line and drawing is the same all the same"
        word: Word = "different" if unseen else "not compared"
        findings.append(Finding(word, "page", "the sum the sheet bears of itself", say))

    def cause(f: Finding) -> Cause:
        if broken:
            return "sheet"
        if not whole_files:
            return "follows"
        nearly = f.um is not None and f.um <= LAST_FIGURE_UM and not f.ruling
        return "sheet" if wrote == here and not nearly else "computed"

    findings = [replace(f, cause=cause(f)) if f.word == "different" and not f.cause else f for f in findings]
    return Check(tuple(findings), wrote, here, stated.seal != "none")


LAST_FIGURE_UM = 0.3
"""Another machine with the same program may round the last figure of a sheet the other way; no more."""


def program_of(s: Stamp | None) -> str:
    """A program in words."""
    return "a version that did not name its sources" if s is None else s.say


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


def streams_compared(stated: Parts, now: Parts) -> Iterator[Finding]:
    """The raw streams are the bytes the sheet was made from."""
    for old, new in zip(stated.record["streams"], now.record["streams"], strict=True):
        yield from _of_stream(old, list(old["files"]), list(new["files"]))


def _of_stream(s: dict[str, Any], was: list[dict[str, Any]], there: list[dict[str, Any]]) -> Iterator[Finding]:
    if was and there:
        # The first file may bear another name now.
        was[0], there[0] = {**was[0], "name": s["path"]}, {**there[0], "name": s["path"]}
    yield from files_compared(was, there)


def files_compared(was: Sequence[dict[str, Any]], there: Sequence[dict[str, Any]]) -> Iterator[Finding]:
    """Files by name, length and sum."""
    a, b = ({str(f["name"]): f for f in files} for files in (was, there))
    for name in dict.fromkeys((*a, *b)):
        old, new = a.get(name), b.get(name)
        if old is None:
            yield Finding("different", "raw stream", f"{name} not on the sheet", f"{name} {new['sha256']}", "changed")  # type: ignore[index]
        elif new is None:
            yield Finding("different", "raw stream", f"{name} {old['sha256']}", f"{name} not there", "missing")
        elif old["sha256"] == new["sha256"]:
            yield Finding("same", "raw stream", f"{name} {old['sha256']}", f"{name} {new['sha256']}")
        else:
            yield _another(name, old, new)


def _another(name: str, old: dict[str, Any], new: dict[str, Any]) -> Finding:
    sizes = (old.get("bytes"), new.get("bytes"))
    shorter = all(isinstance(n, int) for n in sizes) and sizes[1] < sizes[0]  # type: ignore[operator]
    lengths = f", {sizes[1]} bytes where {sizes[0]} were" if shorter else ""
    cause: Cause = "cut off" if shorter else "changed"
    return Finding("different", "raw stream", f"{name} {old['sha256']}", f"{name} {new['sha256']}{lengths}", cause)


def lines_compared(stated: Sequence[Line], now: Sequence[Line]) -> Iterator[Finding]:
    """Visible lines in order: the same, or what stands there instead."""
    a, b = [(x.section, x.text) for x in stated], [(x.section, x.text) for x in now]
    for tag, i1, i2, j1, j2 in SequenceMatcher(a=a, b=b, autojunk=False).get_opcodes():
        if tag == "equal":
            for section, text in a[i1:i2]:
                yield Finding("same", section, text, text)
        else:
            yield from _others(a[i1:i2], b[j1:j2])


def _others(a: Sequence[tuple[str, str]], b: Sequence[tuple[str, str]]) -> Iterator[Finding]:
    """Lines that are not the same, those beside each other that differ in their figures alone."""
    bare = [[(section, skeleton(text)) for section, text in lines] for lines in (a, b)]
    for _, i1, i2, j1, j2 in SequenceMatcher(a=bare[0], b=bare[1], autojunk=False).get_opcodes():
        for k in range(max(i2 - i1, j2 - j1)):
            section, old = a[i1 + k] if i1 + k < i2 else ("", "nothing")
            where, new = b[j1 + k] if j1 + k < j2 else ("", "nothing")
            found = line_apart(old, new)
            yield Finding("different", section or where, old, new, "", found.um, found.ruling)


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
