"""Recorded streams as pandas tables, for a notebook or an export."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from analysis import frame
from capture.errors import CaptureError
from capture.rerun import rerun

if TYPE_CHECKING:
    import pandas as pd

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
    import pandas as pd

    if isinstance(setup, str | Path):
        from capture.setup_file import load_setup

        setup = load_setup(Path(setup))
    results: list[dict[str, Any]] = []
    taken: list[pd.DataFrame] = []
    errors: dict[str, str] = {}
    for path in [paths] if isinstance(paths, str | Path) else paths:
        try:
            run = rerun(Path(path), setup)
        except CaptureError as e:
            errors[str(path)] = str(e)
            continue
        results.append(run.result())
        taken.append(frame.readings(str(run.path), run.readings))
    readings = pd.concat(taken, ignore_index=True) if taken else frame.readings("", [])
    return Frames(frame.sets(results), frame.sweeps(results), frame.budgets(results), readings, errors)
