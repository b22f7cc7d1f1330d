"""A job made again from the table of its entries: every line as it was written, numbers, times and people included."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Mapping
from pathlib import Path

from analysis.job.entries import Entry, JobEntryError, check_entry, check_who_when
from analysis.job.kinds import KINDS
from capture.jobs.errors import JobFileError
from capture.jobs.folder import JobFile
from capture.jobs.journal import append

TABLES = ("entries.json", "entries.csv", "entries.parquet")


def import_job(source: Path, folder: Path) -> JobFile:
    """A new job out of exported entries.

    Parameters
    ----------
    source : Path
        A table of entries as ``export`` writes it, or the folder it lies in.
    folder : Path
        Folder of the new job; streams and photos it names are put into ``streams`` and ``photos`` there by hand, and `JobFile.check`
        says whether they are the same.

    Raises
    ------
    JobFileError
        If the table cannot be read, an entry in it is none, or there is a job already; nothing is made then.
    """
    path = _table(source)
    entries = [_entry(path, n, row) for n, row in enumerate(_rows(path), start=1)]
    if not entries:
        raise JobFileError(f"{path}: no entry in it; there is nothing to make a job from")
    file = JobFile.new(folder)
    append(file.path / "job.jsonl", file.journal(), entries)
    return JobFile(folder)


def _table(source: Path) -> Path:
    if not source.is_dir():
        return source
    found = [source / n for n in TABLES if (source / n).is_file()]
    if len(found) != 1:
        names = ", ".join(p.name for p in found) or "none"
        raise JobFileError(f"{source}: given {names}; allowed: one of {', '.join(TABLES)}, or name the table itself")
    return found[0]


def _rows(path: Path) -> Iterable[Mapping[str, object]]:
    try:
        if path.suffix == ".parquet":
            import pandas as pd

            return [{str(k): v for k, v in row.items()} for row in pd.read_parquet(path).to_dict("records")]
        text = path.read_bytes().decode("utf-8-sig")
        if path.suffix == ".json":
            rows = json.loads(text)
            if not isinstance(rows, list) or not all(isinstance(r, dict) for r in rows):
                raise JobFileError(f"{path}: a list of entries is needed, as export writes it")
            return rows
        return list(csv.DictReader(io.StringIO(text, newline="")))
    except FileNotFoundError:
        raise JobFileError(f"{path}: no such file; name the table of entries that export wrote") from None
    except ImportError:
        raise JobFileError(f"{path}: parquet needs the package pyarrow: pip install pyarrow") from None
    except (OSError, ValueError, RecursionError) as e:
        raise JobFileError(f"{path} cannot be read as a table of entries: {e}") from None


def _entry(path: Path, expected: int, row: Mapping[str, object]) -> Entry:
    where = f"{path}, entry {expected}"
    missing = {"n", "at", "by", "kind", "says"} - row.keys()
    if missing:
        raise JobFileError(
            f"{where}: no column {', '.join(sorted(missing))}; the table of entries that export wrote has them"
        )
    try:
        n = int(str(row["n"]))
        corrects = _number(row.get("corrects"))
        data = json.loads(str(row["says"]))
        if n != expected or not isinstance(data, dict):
            raise ValueError(f"numbered {n}" if n != expected else "says is no object")
        check_who_when(row["by"], row["at"])
        if str(row["kind"]) in KINDS:
            check_entry(str(row["kind"]), data)
    except JobEntryError as e:
        raise JobFileError(f"{where}: {'; '.join(str(p) for p in e.problems)}") from None
    except (ValueError, OverflowError, RecursionError) as e:
        raise JobFileError(
            f"{where}: {e}; entries are numbered from 1 without a gap, and says holds an object"
        ) from None
    return Entry(n, str(row["at"]), str(row["by"]), str(row["kind"]), data, corrects)


def _number(value: object) -> int | None:
    """A whole number that tables may have turned into a decimal one; None where the cell is empty."""
    text = str(value if value is not None else "")
    if text in ("", "nan", "<NA>", "None"):
        return None
    return int(float(text))
