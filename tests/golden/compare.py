"""Expected results of recordings: how they are made, kept and compared."""

from __future__ import annotations

import hashlib
import json
import math
import tomllib
from collections import Counter
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

from analysis.readings import Reading
from analysis.rocking import RockingSession, summary
from analysis.session import Session
from analysis.setup import Setup
from analysis.turning import TurningSession
from capture.pipeline import Pipeline
from capture.profiles import load_profile
from capture.rawstream import Link, Mark, Record, Rx, read_header, read_records
from capture.setup_file import load_setup

ROOT = Path(__file__).resolve().parents[2] / "recorded_streams"

LENGTH_MM = 2e-5
"""Difference in a length that is no difference: another machine's arithmetic may stop a search one step earlier."""


class Heard:
    """Counts what a stream gives, for recordings of which nothing is measured but how they are read."""

    def __init__(self) -> None:
        self._readings: Counter[str] = Counter()
        self._damaged: Counter[str] = Counter()

    def reading(self, r: Reading) -> None:
        """A reading."""
        self._readings[r.scale.unit] += 1

    def damaged(self, t: float, why: str) -> None:
        """Bytes that made none."""
        self._damaged["value" if why.startswith("value ") else why] += 1

    def mark(self, t: float, mark: str) -> None:
        """Of no use here."""

    def link(self, t: float, state: str, why: str = "") -> None:
        """Of no use here."""

    def close(self) -> None:
        """Nothing to end."""

    def result(self) -> dict[str, Any]:
        """Readings by unit, damage by reason."""
        return {"readings": dict(self._readings), "damaged": dict(self._damaged)}


RINGS: dict[str, Any] = {"backlash": RockingSession, "run-out": lambda: TurningSession(2), "readings": Heard}


def folders() -> list[Path]:
    """Recordings, by name."""
    return sorted(p.parent for p in ROOT.glob("**/stream.jsonl"))


def slug(folder: Path) -> str:
    """Name of a recording."""
    return str(folder.relative_to(ROOT))


def setup_of(folder: Path) -> Setup | None:
    """Set-up of a recording, or None."""
    file = folder / "setup.toml"
    return load_setup(file) if file.is_file() else None


def _result(session: Any) -> dict[str, Any]:
    if isinstance(session, RockingSession):
        return summary(session.places())
    if isinstance(session, TurningSession):
        found = session.found()
        return {**asdict(found), "heights_mm": list(found.heights_mm), "reasons": list(found.reasons), "say": found.say}
    result: dict[str, Any] = session.result()
    return result


def measures(folder: Path) -> str:
    """What a recording measures: a set of sweeps unless its about.toml names something else."""
    file = folder / "about.toml"
    return str(tomllib.loads(file.read_text("utf-8")).get("measures", "set")) if file.is_file() else "set"


def replay(folder: Path, pieces: Any = None) -> dict[str, Any]:
    """Everything a recording gives: readings, and the result of the analysis.

    Parameters
    ----------
    folder : Path
    pieces : callable, optional
        Cuts the bytes of a chunk into pieces; they keep the chunk's time.
    """
    header = read_header(folder / "stream.jsonl")
    session: Any = RINGS[what]() if (what := measures(folder)) in RINGS else Session(setup_of(folder))
    digest = hashlib.sha256()

    def heard(r: Reading, shown: str) -> None:
        digest.update(f"{r.t!r} {r.counts} {r.scale.unit} {r.scale.step} {shown}\n".encode())

    pipe = Pipeline(load_profile(header.profile), session, heard)
    for record in read_records(folder / "stream.jsonl"):
        _feed(pipe, record, pieces)
    session.close()
    result: dict[str, Any] = _result(session)
    return {"decoded_sha256": digest.hexdigest(), **result}


def _feed(pipe: Pipeline, record: Record, pieces: Any) -> None:
    if isinstance(record, Rx):
        for part in pieces(record.data) if pieces is not None else [record.data]:
            pipe.chunk(record.t, part)
    elif isinstance(record, Mark):
        pipe.mark(record.t, record.mark)
    elif isinstance(record, Link):
        pipe.link(record.t, record.state, record.why)


def expected(folder: Path) -> dict[str, Any]:
    """Expected result of a recording.

    Raises
    ------
    FileNotFoundError
        If none was accepted: a recording without one is a failure, not a skip.
    """
    loaded: dict[str, Any] = json.loads((folder / "expected.jsonl").read_text("utf-8"))
    return loaded


def as_text(result: dict[str, Any]) -> str:
    """A result as it is kept: one line."""
    return json.dumps(_rounded(result), ensure_ascii=False, separators=(",", ":")) + "\n"


def _rounded(x: Any) -> Any:
    if isinstance(x, dict):
        return {k: _rounded(v) for k, v in x.items()}
    if isinstance(x, list):
        return [_rounded(v) for v in x]
    return float(f"{x:.9g}") if isinstance(x, float) else x


def differences(want: Any, got: Any, path: str = "") -> Iterator[str]:
    """What differs, one line each; nothing when the results agree."""
    if isinstance(want, dict) and isinstance(got, dict):
        for key in sorted(want.keys() | got.keys()):
            if key not in want:
                yield f"{path}.{key}: not expected, got {got[key]!r}"
            elif key not in got:
                yield f"{path}.{key}: expected {want[key]!r}, missing"
            else:
                yield from differences(want[key], got[key], f"{path}.{key}")
    elif isinstance(want, list) and isinstance(got, list):
        if len(want) != len(got):
            yield f"{path}: expected {len(want)} entries, got {len(got)}"
        for n, (a, b) in enumerate(zip(want, got, strict=False)):
            yield from differences(a, b, f"{path}[{n}]")
    elif _is_number(want) and _is_number(got) and (isinstance(want, float) or isinstance(got, float)):
        if not _near(float(want), float(got), path):
            yield f"{path}: expected {want!r}, got {got!r}"
    elif isinstance(want, str) and isinstance(got, str) and not path.endswith("sha256"):
        if _words(want) != _words(got):
            yield f"{path}: expected {want!r}, got {got!r}"
    elif want != got or type(want) is not type(got):
        yield f"{path}: expected {want!r}, got {got!r}"


def _is_number(x: Any) -> bool:
    return isinstance(x, int | float) and not isinstance(x, bool)


def _words(text: str) -> list[str]:
    """A sentence with its numbers cut to two decimals less than they show: numbers are compared elsewhere."""
    out = []
    for word in text.split():
        bare = word.strip("()+,;:")
        try:
            value = float(bare.replace("−", "-"))
        except ValueError:
            out.append(word)
        else:
            out.append(f"{value:.2f}")
    return out


def _near(a: float, b: float, path: str) -> bool:
    key = path.rpartition(".")[2].partition("[")[0]
    if key.endswith(("_mm", "_s", "per_min")):
        return abs(a - b) <= (LENGTH_MM if not key.endswith("_s") else 2e-3)
    return math.isclose(a, b, rel_tol=0.02, abs_tol=1e-6)
