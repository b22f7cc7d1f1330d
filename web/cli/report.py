"""``shimwright report``."""

from __future__ import annotations

import hashlib
import json
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from capture.errors import CaptureError, WrongUsageError

if TYPE_CHECKING:
    from web.report.model import Sheet


def report_command(
    streams: Sequence[Path],
    out: Path,
    setup_path: Path | None,
    unit: str | None,
    by: str | None,
    replace: bool = False,
    json_out: bool = False,
) -> int:
    """Write a sheet of raw streams, or of a job by its folder; exit code 0.

    Raises
    ------
    CaptureError
        If a stream or the set-up cannot be used, the ending is unknown, or the sheet cannot be written.
    """
    kind = out.suffix.lower()
    if kind not in (".html", ".pdf"):
        raise WrongUsageError(f"-o: given {out}; allowed: a name that ends in .html or .pdf")
    if kind == ".pdf":
        from web.report.pdf import need_typst

        need_typst()
    page = out.with_suffix(".html")
    for path in dict.fromkeys((out, page)):
        if path.exists() and not replace:
            beside = f" ({out} is written with the .html sheet beside it, which verify reads)" if path != out else ""
            raise CaptureError(
                f"{path} is already there{beside}: choose another name (-o), or say --replace to write over it"
            )
    sheet, moment = (
        _job(streams, page, setup_path, unit, by)
        if any(p.is_dir() for p in streams)
        else _sets(streams, page, setup_path, unit, by)
    )
    from web.report.page import render_page

    _write(page, render_page(sheet).encode("utf-8"))
    written = [page]
    if kind == ".pdf":
        from web.report.pdf import render_pdf

        _write(out, render_pdf(sheet, moment))
        written.insert(0, out)
    if json_out:
        rows = [{"file": str(p), "sha256": hashlib.sha256(p.read_bytes()).hexdigest()} for p in written]
        sys.stdout.write(json.dumps({"written": rows, "at": moment}, ensure_ascii=False) + "\n")
        return 0
    sys.stdout.write(" and ".join(str(p) for p in written) + "\n")
    return 0


def _now() -> str:
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _sets(
    streams: Sequence[Path], page: Path, setup_path: Path | None, unit: str | None, by: str | None
) -> tuple[Sheet, str]:
    from capture.stamp import stamp
    from web.report.gather import Stated, drawing_library, gather, program_version, read_setup, shown_path
    from web.report.view import view

    setup = None if setup_path is None else read_setup(setup_path)
    stated = Stated(_now(), program_version(), drawing_library(), unit, by, stamp())
    return view(gather([(p, shown_path(p, page)) for p in streams], setup, stated)), stated.written


def _job(
    paths: Sequence[Path], page: Path, setup_path: Path | None, unit: str | None, by: str | None
) -> tuple[Sheet, str]:
    from capture.stamp import stamp
    from web.report.gather import program_version, shown_path
    from web.report.job_gather import gather_job
    from web.report.job_view import job_view

    if len(paths) > 1:
        raise WrongUsageError(
            f"report: given {len(paths)} paths with a folder among them; allowed: one job's folder, or streams"
        )
    for option, given in (("--setup", setup_path), ("--unit", unit)):
        if given is not None:
            raise WrongUsageError(f"{option}: given {given} with a job; left out here: a job's own entries say it")
    moment = _now()
    shown = shown_path(paths[0], page)
    matter = gather_job(paths[0], shown, written=moment, version=program_version(), by=by, program=stamp())
    return job_view(matter), moment


def _write(path: Path, data: bytes) -> None:
    """Write beside, then put in place: a full disk leaves no half sheet."""
    part = path.with_name(path.name + ".part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        part.write_bytes(data)
        part.replace(path)
    except OSError as e:
        raise CaptureError(
            f"{path} cannot be written: {e.strerror or e}. Choose a place you may write to (-o)."
        ) from None
    finally:
        if part.exists():
            part.unlink()
