"""What the ``job`` commands do."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from analysis.job import job_as_dict, next_step
from analysis.job.entries import Entry, kinds_as_list
from analysis.job.redo import redo_list, void_list
from analysis.job.remarks import remarks
from analysis.job.state import Job
from capture.errors import WrongUsageError
from capture.exact_toml import exact_toml
from capture.jobs import EntryRefusedError, JobFile, JobFileError, JobFolder
from capture.jobs.journal import NAME
from web.cli.job_hints import ways, ways_of_wrong_state
from web.cli.job_words import kinds_words, next_words, stock_words, void_words, words


def _who(by: str | None) -> str:
    who = by or os.environ.get("SHIMWRIGHT_BY", "")
    if not who.strip():
        raise WrongUsageError("--by: given nothing; allowed: the initials or name of whoever writes this down")
    return who


def _out(data: object) -> None:
    sys.stdout.write(json.dumps(data, ensure_ascii=False, allow_nan=False) + "\n")


def parse_fields(fields: Sequence[str]) -> dict[str, object]:
    """FIELD=VALUE pairs: text as it stands, lists and tables as in TOML, nothing after the sign takes a field out.

    Raises
    ------
    WrongUsageError
    """
    out: dict[str, object] = {}
    for text in fields:
        key, sign, value = text.partition("=")
        if not sign or not key.strip():
            raise WrongUsageError(f"{text!r}: given no =; allowed: FIELD=VALUE, such as nut=torqued")
        if value[:1] in ("[", "{"):
            try:
                out[key] = exact_toml(f"v = {value}")["v"]
            except ValueError as e:
                raise WrongUsageError(f"{key}: {value!r} is no list or table as TOML has it: {e}") from None
        else:
            out[key] = value if value else None
    return out


def _told(file: JobFile, entries: list[Entry], json_out: bool) -> int:
    job = file.job()
    step = next_step(job)
    told = {e.n: found for e in entries if (found := remarks(job, e))}
    if json_out:
        rows = [
            {"n": e.n, "at": e.at, "by": e.by, "kind": e.kind, "data": e.data, "corrects": e.corrects} for e in entries
        ]
        _out(
            {
                "job": file.name,
                "entries": rows,
                "remarks": [x for found in told.values() for x in found],
                "next": None if step is None else step._asdict(),
            }
        )
        return 0
    for e in entries:
        sys.stdout.write(f"entry {e.n}: {e.kind}{'' if e.corrects is None else f', corrects entry {e.corrects}'}\n")
    for e in entries:
        for said in told.get(e.n, []):
            sys.stdout.write(f"Look again at entry {e.n}: {said}\n")
        if e.n in told and e.kind != "state":
            r = job.reading(e.n)
            told_how = (
                ways_of_wrong_state(job, r, file.path)
                if r is not None and r.in_wrong_state
                else [f"To put it right: shimwright job add {file.path} {e.kind} FIELD=VALUE … --corrects {e.n}"]
            )
            sys.stdout.writelines(f"  {way}\n" for way in told_how)
    sys.stdout.write(next_words(None if step is None else step._asdict(), _ways(file, job)))
    return 0


def _ways(file: JobFile, job: Job) -> list[str]:
    step = next_step(job)
    return [] if step is None else ways(job, step.name, file.path)


def new_job(path: Path, unit: str | None, fields: Sequence[str], by: str | None, json_out: bool) -> int:
    """``job new``."""
    data = parse_fields(fields)
    if unit is not None:
        data["unit"] = unit
    who = _who(by) if data else ""
    if data:
        from analysis.job import JobEntryError, check_entry

        try:
            check_entry("intake", data)
        except JobEntryError as e:
            raise EntryRefusedError(e.problems) from None
    file = JobFile.new(path)
    return _told(file, [file.add("intake", data, who)] if data else [], json_out)


def add_entries(
    path: Path,
    kind: str | None,
    fields: Sequence[str],
    by: str | None,
    source: Path | None,
    corrects: int | None,
    json_out: bool,
) -> int:
    """``job add``."""
    if (kind is None) == (source is None):
        raise WrongUsageError("KIND or --from: one of the two")
    who = _who(by)
    file = JobFile(path)
    if source is None:
        assert kind is not None
        return _told(file, [file.add(kind, parse_fields(fields), who, corrects=corrects)], json_out)
    if fields or corrects is not None:
        raise WrongUsageError(
            "--from: with FIELD=VALUE or --corrects; allowed: alone (a table may hold corrects = NUMBER)"
        )
    return _told(file, file.add_all(_rows(source), who), json_out)


def _rows(source: Path) -> list[tuple[str, Mapping[str, object], int | None]]:
    try:
        data = exact_toml(source.read_text("utf-8-sig"))
    except FileNotFoundError:
        raise JobFileError(f"{source}: no such file") from None
    except (OSError, UnicodeDecodeError) as e:
        raise JobFileError(f"{source} cannot be read: {e}") from None
    except ValueError as e:
        raise JobFileError(f"{source}: not valid TOML: {e}") from None
    tables = data.get("entry")
    if set(data) != {"entry"} or not isinstance(tables, list) or not all(isinstance(t, dict) for t in tables):
        raise JobFileError(
            f'{source}: given {", ".join(data) or "nothing"}; allowed: tables [[entry]], each with kind = "…" and its fields'
        )
    out: list[tuple[str, Mapping[str, object], int | None]] = []
    for number, t in enumerate(tables, start=1):
        corrects = t.pop("corrects", None)
        kind = t.pop("kind", None)
        if not isinstance(kind, str) or not (corrects is None or isinstance(corrects, int)):
            raise JobFileError(f'{source}, entry {number}: kind = "…" is needed, and corrects is a number')
        out.append((kind, t, corrects))
    return out


def attach_stream(
    kind: str, path: Path, stream: Path, phase: str, fields: Sequence[str], by: str | None, json_out: bool
) -> int:
    """``job set`` and ``job backlash``."""
    who = _who(by)
    file = JobFile(path)
    data = parse_fields(fields) | {"phase": phase}
    file.check_before_recording(kind, data, who)
    return _told(file, [file.add(kind, data | {"stream": file.attach(stream)}, who)], json_out)


def keep_pictures(path: Path, pictures: Sequence[Path], of: str | None, by: str | None, json_out: bool) -> int:
    """``job photo``; where one cannot be kept, none is."""
    from capture.jobs.photos import keep_photo, read_picture

    who = _who(by)
    file = JobFile(path)
    data = [(p.name, read_picture(p)) for p in pictures]
    rows = [("photo", {"file": keep_photo(file.path, *x), **({"of": of} if of else {})}, None) for x in data]
    entries = file.add_all(rows, who)
    if not json_out:
        for e in entries:
            sys.stdout.write(f"kept as {e.data['file']} in {file.path / 'photos'}, SHA-256 {e.data['sha256']}\n")
    return _told(file, entries, json_out)


def show_job(path: Path, entries: bool, json_out: bool) -> int:
    """``job show``."""
    file = JobFile(path)
    job = file.job()
    data: dict[str, Any] = {"job": file.name, **job_as_dict(job, entries=entries or json_out)}
    if json_out:
        _out(data)
    else:
        sys.stdout.write(words(data, _ways(file, job)))
    return 0


def show_next(path: Path, json_out: bool) -> int:
    """``job next``."""
    file = JobFile(path)
    job = file.job()
    step = next_step(job)
    data = None if step is None else step._asdict()
    if json_out:
        _out({"job": file.name, "next": data})
    else:
        sys.stdout.write(next_words(data, _ways(file, job)))
    return 0


def show_void(path: Path, json_out: bool) -> int:
    """``job void``."""
    file = JobFile(path)
    job = file.job()
    if json_out:
        _out({"job": file.name, "void": void_list(job), "redo": redo_list(job)})
    else:
        sys.stdout.write(void_words(void_list(job), redo_list(job)))
    return 0


def show_stock(path: Path, json_out: bool) -> int:
    """``job stock``."""
    if not path.is_dir():
        raise JobFileError(f"{path}: no such folder")
    rows = JobFolder(path.resolve().parent if (path / NAME).is_file() else path).stock()
    if json_out:
        _out({"stock": rows})
    else:
        sys.stdout.write(stock_words(rows))
    return 0


def check_again(path: Path, json_out: bool) -> int:
    """``job check``; exit code 1 if anything differs."""
    file = JobFile(path)
    found = file.check()
    same = all(f.same for f in found)
    if json_out:
        _out({"job": file.name, "same": same, "findings": [f.as_dict() for f in found]})
    else:
        for f in found:
            sys.stdout.write(f"{'same     ' if f.same else 'DIFFERENT'}  entry {f.entry}: {f.what}: {f.say}\n")
    return 0 if same else 1


def import_again(table: Path, path: Path, json_out: bool) -> int:
    """``job import``."""
    from capture.jobs.importing import import_job

    file = import_job(table, path)
    found = [f for f in file.check() if not f.same]
    entries = len(file.journal().entries)
    if json_out:
        _out({"job": file.name, "entries": entries, "findings": [f.as_dict() for f in found]})
    else:
        sys.stdout.write(f"{file.path}: {entries} entries as they were written.\n")
        for f in found:
            sys.stdout.write(f"entry {f.entry}: {f.what}: {f.say}\n")
    return 0


def close_job(path: Path, not_checked: str, fields: Sequence[str], by: str | None, json_out: bool) -> int:
    """``job close``."""
    who = _who(by)
    file = JobFile(path)
    return _told(file, [file.add("close", parse_fields(fields) | {"not_checked": not_checked}, who)], json_out)


def show_kinds(kind: str | None, json_out: bool) -> int:
    """``job kinds``."""
    rows = [k for k in kinds_as_list() if kind is None or k["kind"] == kind]
    if not rows:
        known = ", ".join(str(k["kind"]) for k in kinds_as_list())
        raise WrongUsageError(f"KIND: given {kind!r}; allowed: {known}")
    if json_out:
        _out({"kinds": rows})
    else:
        sys.stdout.write(kinds_words(rows))
    return 0
