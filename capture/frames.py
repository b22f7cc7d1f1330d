"""Recorded streams as pandas tables, for a notebook or an export."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from analysis import frame
from capture.errors import CaptureError
from capture.rerun import rerun

if TYPE_CHECKING:
    import pandas as pd

    from analysis.job.typed_tables import TypedSet
    from analysis.setup import Setup


class Frames(NamedTuple):
    """Tables of one or many streams; the columns are those of `analysis.frame`."""

    sets: pd.DataFrame
    sweeps: pd.DataFrame
    budgets: pd.DataFrame
    readings: pd.DataFrame
    errors: dict[str, str]
    """Streams that could not be read, and why."""


def load(paths: Iterable[str | Path] | str | Path, setup: Setup | str | Path | None = None) -> Frames:
    """Analyse streams and give everything as tables.

    Parameters
    ----------
    paths : path or iterable of paths
        Raw streams.
    setup : Setup or path, optional
        Set-up, or its file; without it no depth is given.

    Raises
    ------
    CaptureError
        If the set-up file cannot be used.  A stream that cannot be read is named in `errors` and the rest still run.
    """
    if isinstance(setup, str | Path):
        from capture.setup_file import load_setup

        setup = load_setup(Path(setup))
    return _load((Path(p), setup) for p in ([paths] if isinstance(paths, str | Path) else paths))


def load_job(path: str | Path) -> tuple[Frames, pd.DataFrame]:
    """The measured sets of a job, and its entries, as tables.

    Parameters
    ----------
    path : path
        The job's folder.

    Returns
    -------
    Frames
        Its depth sets, each with the arbor and the limits the job knew when the set was written down; typed ones too, their passes as
        sweeps without times, under the name ``job.jsonl#N`` of their entry, as the job judges them now.
    pandas.DataFrame
        Every entry as written: number, time, who, kind, the entry it corrects, and what it says as JSON text.

    Raises
    ------
    CaptureError
        If the job cannot be read.
    """
    import pandas as pd

    from analysis.job.fold import fold
    from analysis.job.typed_tables import typed_set
    from capture.jobs import JobFile
    from capture.jobs.streams import inside_of, setup_then

    job = JobFile(Path(path))
    entries = job.journal().entries
    pairs: list[tuple[Path, Setup | None]] = []
    gone: dict[str, str] = {}
    folded = fold(entries)
    typed = [typed_set(folded, e.n) for e in folded.effective if e.kind == "set" and "seatings" in e.data]
    for e in entries:
        if e.kind != "set" or "stream" not in e.data or e.corrects is not None:
            continue
        try:
            pairs.append((inside_of(job.path, str(e.data["stream"])), setup_then(fold(entries[: e.n - 1]))))
        except CaptureError as why:
            gone[str(e.data["stream"])] = str(why)
    frames = _load(pairs, typed)
    rows = [(e.n, e.at, e.by, e.kind, e.corrects, json.dumps(e.data, ensure_ascii=False)) for e in entries]
    written = pd.DataFrame(rows, columns=["n", "at", "by", "kind", "corrects", "says"])
    return frames._replace(errors=gone | frames.errors), written.astype({"corrects": "Int64"})


def _load(pairs: Iterable[tuple[Path, Setup | None]], typed: Sequence[TypedSet] = ()) -> Frames:
    import pandas as pd

    results: list[dict[str, Any]] = []
    taken: list[pd.DataFrame] = []
    errors: dict[str, str] = {}
    for path, setup in pairs:
        try:
            run = rerun(path, setup)
        except CaptureError as e:
            errors[str(path)] = str(e)
            continue
        results.append(run.result())
        taken.append(frame.readings(str(run.path), run.readings))
    results += [t.result for t in typed]
    taken += [frame.passes(t.name, t.passes) for t in typed]
    readings = pd.concat(taken, ignore_index=True) if taken else frame.readings("", [])
    return Frames(frame.sets(results), frame.sweeps(results), frame.budgets(results), readings, errors)
