"""Everything a sheet states, from raw streams and a set-up."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from capture.errors import CaptureError, SetupFileError
from capture.exact_toml import exact_toml
from capture.fingerprint import Fingerprint, fingerprints
from capture.rerun import Rerun, rerun
from capture.stamp import Stamp

if TYPE_CHECKING:
    from analysis.setup import Setup

FORMAT = "shimwright-sheet/1"


@dataclass(frozen=True, slots=True)
class SetupText:
    """A set-up file as it was read: its name, its text, what it says."""

    name: str
    text: str
    setup: Setup
    values: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Source:
    """One stream on the sheet: how it is called there, its files, what it gave."""

    shown: str
    files: tuple[Fingerprint, ...]
    run: Rerun
    result: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Stated:
    """What people and the clock say; it cannot be worked out again."""

    written: str
    version: str
    drawn_with: str
    unit: str | None = None
    by: str | None = None
    program: Stamp | None = None


@dataclass(frozen=True, slots=True)
class Matter:
    """All a sheet is made from."""

    sources: tuple[Source, ...]
    setup: SetupText | None
    stated: Stated

    def record(self) -> dict[str, object]:
        """What checking the sheet needs, as plain data."""
        s = self.stated
        return {
            "format": FORMAT,
            "version": s.version,
            "drawn_with": s.drawn_with,
            "written": s.written,
            "unit": s.unit,
            "by": s.by,
            **({} if s.program is None else {"program": s.program.as_dict()}),
            "setup": None if self.setup is None else {"name": self.setup.name, "text": self.setup.text},
            "streams": [
                {"path": x.shown, "files": [{"name": f.name, "bytes": f.size, "sha256": f.sha256} for f in x.files]}
                for x in self.sources
            ],
        }


def read_setup(path: Path) -> SetupText:
    """A set-up file with its text.

    Raises
    ------
    SetupFileError
        If it cannot be used.
    """
    from capture.setup_file import load_setup

    setup = load_setup(path)
    try:
        text = path.read_text("utf-8-sig")
    except (OSError, UnicodeDecodeError) as e:
        raise SetupFileError(f"{path} cannot be read: {e}") from None
    return SetupText(path.name, text, setup, exact_toml(text))


def parse_setup_text(name: str, text: str) -> SetupText:
    """The set-up a sheet holds.

    Raises
    ------
    SetupFileError
        If it cannot be used.
    """
    from analysis.setup import SetupError, parse_setup

    try:
        values = exact_toml(text)
        return SetupText(name, text, parse_setup(values), values)
    except SetupError as e:
        raise SetupFileError("\n".join(f"the set-up on the sheet ({name}), {p}" for p in e.problems)) from None
    except ValueError as e:
        raise SetupFileError(f"the set-up on the sheet ({name}) is not valid TOML: {e}") from None


def gather(paths: Sequence[tuple[Path, str]], setup: SetupText | None, stated: Stated) -> Matter:
    """Run the streams again.

    Parameters
    ----------
    paths : sequence of (Path, str)
        Each stream, and how the sheet calls it.

    Raises
    ------
    CaptureError
        If a stream cannot be used.
    """
    sources = []
    for path, shown in paths:
        run = rerun(path, None if setup is None else setup.setup)
        result = run.result() | {"stream": shown}
        sources.append(Source(shown, tuple(fingerprints(path)), run, result))
    return Matter(tuple(sources), setup, stated)


def shown_path(path: Path, sheet: Path) -> str:
    """How a sheet calls a stream: from the sheet's own folder, so that both can be moved together."""
    try:
        return Path(os.path.relpath(path.resolve(), sheet.resolve().parent)).as_posix()
    except ValueError:  # another drive
        return path.resolve().as_posix()


def drawing_library() -> str:
    """Name and version of what draws the figures."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        return f"matplotlib {version('matplotlib')}"
    except PackageNotFoundError as e:  # pragma: no cover - a broken installation
        raise CaptureError(f"matplotlib is not installed: {e}") from None


def program_version() -> str:
    """Version of this program."""
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("shimwright")
    except PackageNotFoundError:
        return "unknown"
