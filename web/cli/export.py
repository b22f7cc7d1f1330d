"""``shimwright export``: sets, sweeps, budgets and readings as plain tables."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from capture.errors import CaptureError, WrongUsageError

if TYPE_CHECKING:
    import pandas as pd

ENTRIES = "entries"
"""Table a job has besides: what was written down."""

KINDS = ("csv", "parquet", "json")
TABLES = ("sets", "sweeps", "budgets", "readings")


def export_command(
    streams: Sequence[Path],
    setup_path: Path | None,
    kind: str,
    folder: Path,
    replace: bool = False,
    json_out: bool = False,
) -> int:
    """Write four tables to `folder`, of streams or of a job by its folder; of a job its entries too.

    Returns
    -------
    int
        Exit code: 0, or 1 if a stream could not be read; the others are exported all the same.

    Raises
    ------
    CaptureError
        If the kind is unknown, pyarrow is missing for parquet, the job cannot be read, or the folder cannot take the files.
    """
    if kind not in KINDS:
        raise WrongUsageError(f'--to: given "{kind}"; allowed: {", ".join(KINDS)}')
    if kind == "parquet":
        _need_pyarrow()
    from capture.frames import load, load_job

    job = any((p / "job.jsonl").is_file() for p in streams)
    if job and (len(streams) > 1 or setup_path is not None):
        raise WrongUsageError(
            "export: given a job's folder with something beside it; allowed: one job's folder alone (its limits and its arbor "
            "are its entries), or streams with --setup"
        )
    names = (*TABLES, ENTRIES) if job else TABLES
    files = {name: folder / f"{name}.{kind}" for name in names}
    _room(folder, [] if replace else list(files.values()))
    frames, entries = load_job(streams[0]) if job else (load(streams, setup_path), None)
    for why in frames.errors.values():
        sys.stderr.write(f"shimwright: {why}\n")
    if not job and len(frames.errors) == len(streams):
        return 1
    tables = {name: getattr(frames, name) for name in TABLES} | ({} if entries is None else {ENTRIES: entries})
    for name, path in files.items():
        try:
            _write(tables[name], path, kind)
        except OSError as e:
            raise CaptureError(f"{path} cannot be written: {e.strerror or e}. Choose another folder (-o).") from None
        except UnicodeError:
            raise CaptureError(f"{path}: the name of a stream is no text; rename it, or take --to json.") from None
    if json_out:
        rows = {name: {"file": str(path), "rows": len(tables[name])} for name, path in files.items()}
        told = {"tables": rows, "errors": {str(k): str(v) for k, v in frames.errors.items()}}
        sys.stdout.write(json.dumps(told, ensure_ascii=False) + "\n")
        return 1 if frames.errors else 0
    lines = ", ".join(f"{len(tables[name])} {name}" for name in names)
    sys.stdout.write(f"{folder}: {lines}\n")
    return 1 if frames.errors else 0


def _need_pyarrow() -> None:
    try:
        import pyarrow  # type: ignore[import-untyped, import-not-found, unused-ignore]  # noqa: F401 - only whether it is there
    except ImportError:
        raise CaptureError(
            "parquet needs the package pyarrow, which is not installed: pip install pyarrow, or take --to csv or --to json"
        ) from None


def _room(folder: Path, files: list[Path]) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as e:
        raise CaptureError(
            f"{folder} cannot be made: {e.strerror or e}. Choose a folder you may write to (-o)."
        ) from None
    there = [p.name for p in files if p.exists()]
    if there:
        raise CaptureError(
            f"{folder} already holds {', '.join(there)}: choose another folder (-o), or say --replace to write over them"
        )


def _write(table: pd.DataFrame, path: Path, kind: str) -> None:
    """Write beside, then put in place: a full disk leaves no half table under the real name."""
    part = path.with_name(path.name + ".part")
    try:
        if kind == "csv":
            table.to_csv(part, index=False, encoding="utf-8", lineterminator="\n", errors="surrogateescape")
        elif kind == "parquet":
            table.to_parquet(part, index=False)
        else:
            part.write_text(_json(table), "utf-8")
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def _json(table: pd.DataFrame) -> str:
    """A list of objects, one a line; what is not known is null."""
    rows = [json.dumps(_plain(row)) for row in table.to_dict("records")]
    return "[\n" + ",\n".join(rows) + "\n]\n"


def _plain(row: dict[Any, Any]) -> dict[str, Any]:
    import pandas as pd

    out: dict[str, Any] = {}
    for name, value in row.items():
        if value is pd.NA:
            out[str(name)] = None
        elif isinstance(value, float) and (value != value or value in (float("inf"), float("-inf"))):
            out[str(name)] = None if value != value else "unlimited"
        else:
            out[str(name)] = value
    return out
