"""A job's sheet, made in a process of its own: drawing its figures would hold up the readings that arrive meanwhile."""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

from capture.errors import CaptureError

NO_EXTRA = 3
"""Exit code where the extra that makes a PDF is not installed."""


class SheetError(CaptureError):
    """A sheet that could not be made; `extra` where a PDF needs what is not installed."""

    def __init__(self, text: str, extra: bool = False) -> None:
        super().__init__(text)
        self.extra = extra


def make(path: Path, kind: str, by: str | None) -> bytes:
    """The sheet of a job's folder, as ``html`` or ``pdf``.

    It names the job's folder as seen from beside it, so that a sheet kept there is checked with `verify`.

    Raises
    ------
    CaptureError
    """
    from capture.jobs.folder import now
    from capture.stamp import stamp
    from web.report.gather import program_version
    from web.report.job_gather import gather_job
    from web.report.job_view import job_view
    from web.report.page import render_page
    from web.report.pdf import need_typst, render_pdf

    if kind == "pdf":
        try:
            need_typst()
        except CaptureError as e:
            raise SheetError(str(e), extra=True) from None
    moment = now()
    matter = gather_job(path, path.name, written=moment, version=program_version(), by=by, program=stamp())
    sheet = job_view(matter)
    return render_pdf(sheet, moment) if kind == "pdf" else render_page(sheet).encode("utf-8")


async def made(path: Path, kind: str, by: str | None) -> bytes:
    """The same from a process of its own; it ends with whoever waits for it.

    Raises
    ------
    SheetError
    """
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        # The folder this program was started in is nothing to import from; and an interrupt at the keyboard is for this program.
        "-P",
        "-c",
        "from web.job_sheet import main; raise SystemExit(main())",
        str(path.resolve()),
        kind,
        by or "",
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
        start_new_session=True,
    )
    try:
        out, said = await process.communicate()
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()
    if process.returncode:
        text = said.decode("utf-8", "replace").strip()
        raise SheetError(
            text.splitlines()[-1] if text else "The sheet was not finished.", process.returncode == NO_EXTRA
        )
    return out


def main() -> int:
    """Arguments FOLDER, html or pdf, BY: the sheet on standard output, or why there is none on standard error."""
    path, kind, by = sys.argv[1:]
    try:
        sys.stdout.buffer.write(make(Path(path), kind, by or None))
    except SheetError as e:
        sys.stderr.write(f"{e}\n")
        return NO_EXTRA if e.extra else 1
    except CaptureError as e:
        sys.stderr.write(f"{e}\n")
        return 1
    return 0
