"""``shimwright job …``: the whole set-up job.  Light to import; the work is in `web.cli.job_work`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

job_app = typer.Typer(
    name="job",
    help="The whole set-up job, from as-found to the last check: written down entry by entry, never overwritten.",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)

JOB = Annotated[Path, typer.Argument(metavar="JOB", help="The job's folder.")]
BY = Annotated[str | None, typer.Option("--by", help="Who writes this down; else the environment's SHIMWRIGHT_BY.")]
JSON = Annotated[bool, typer.Option("--json", help="One JSON object on standard output.")]
FIELDS = Annotated[
    list[str] | None,
    typer.Argument(metavar="[FIELD=VALUE]...", help="Such as nut=torqued turns=20, or 'places=[0.18, 0.19]'."),
]
CORRECTS = Annotated[
    int | None, typer.Option("--corrects", help="Number of the entry this one puts right; FIELD= takes a field out.")
]


@job_app.command()
def new(
    job: JOB,
    unit: Annotated[str | None, typer.Option("--unit", help="The unit on the bench: type and serial number.")] = None,
    fields: FIELDS = None,
    by: BY = None,
    json_out: JSON = False,
) -> None:
    """Begin a job in a folder of its own."""
    from web.cli.job_work import new_job

    raise typer.Exit(new_job(job, unit, fields or [], by, json_out))


@job_app.command()
def add(
    job: JOB,
    kind: Annotated[str | None, typer.Argument(metavar="[KIND]", help="Kind of entry; left out with --from.")] = None,
    fields: FIELDS = None,
    by: BY = None,
    source: Annotated[
        Path | None, typer.Option("--from", help="TOML file with one table [[entry]] an entry, kind and fields in it.")
    ] = None,
    corrects: CORRECTS = None,
    json_out: JSON = False,
) -> None:
    """Write entries down: a limit, a state, a zeroing, readings, shims, …"""
    from web.cli.job_work import add_entries

    raise typer.Exit(add_entries(job, kind, fields or [], by, source, corrects, json_out))


@job_app.command(name="set")
def set_(
    job: JOB,
    stream: Annotated[Path, typer.Argument(metavar="STREAM", help="Raw stream; it is copied into the job's folder.")],
    phase: Annotated[str, typer.Option("--phase", help="as-found, trial or final.")],
    fields: FIELDS = None,
    by: BY = None,
    json_out: JSON = False,
) -> None:
    """Attach a recorded stream as a measured set."""
    from web.cli.job_work import attach_stream

    raise typer.Exit(attach_stream("set", job, stream, phase, fields or [], by, json_out))


@job_app.command()
def photo(
    job: JOB,
    pictures: Annotated[
        list[Path],
        typer.Argument(metavar="PICTURE...", help="JPEG, PNG or WebP, from anywhere; copied into the job's folder."),
    ],
    of: Annotated[str | None, typer.Option("--of", help="What it shows, such as the mark or the pattern.")] = None,
    by: BY = None,
    json_out: JSON = False,
) -> None:
    """Keep pictures with the job: each is copied into its folder, and written down with its SHA-256."""
    from web.cli.job_work import keep_pictures

    raise typer.Exit(keep_pictures(job, pictures, of, by, json_out))


@job_app.command()
def backlash(
    job: JOB,
    stream: Annotated[
        Path,
        typer.Argument(
            metavar="STREAM", help="Raw stream of the rocked ring gear; it is copied into the job's folder."
        ),
    ],
    phase: Annotated[str, typer.Option("--phase", help="as-found, trial or final.")],
    fields: FIELDS = None,
    by: BY = None,
    json_out: JSON = False,
) -> None:
    """Backlash from a recorded stream: the ring gear rocked between its stops, place by place."""
    from web.cli.job_work import attach_stream

    raise typer.Exit(attach_stream("backlash", job, stream, phase, fields or [], by, json_out))


@job_app.command(name="end-play")
def end_play(
    job: JOB,
    stream: Annotated[
        Path,
        typer.Argument(metavar="STREAM", help="Raw stream of the push and pull; it is copied into the job's folder."),
    ],
    where: Annotated[str, typer.Option("--where", help="pinion or carrier.")],
    phase: Annotated[str, typer.Option("--phase", help="as-found, trial or final.")],
    fields: FIELDS = None,
    by: BY = None,
    json_out: JSON = False,
) -> None:
    """End play from a recorded stream: pinion or carrier pushed and pulled along its shaft."""
    from web.cli.job_work import attach_stream

    raise typer.Exit(attach_stream("end-play", job, stream, phase, [*(fields or []), f"where={where}"], by, json_out))


@job_app.command(name="run-out")
def run_out(
    job: JOB,
    stream: Annotated[
        Path,
        typer.Argument(
            metavar="STREAM", help="Raw stream of the turned ring gear; it is copied into the job's folder."
        ),
    ],
    turns: Annotated[
        int, typer.Option("--turns", help="Whole turns made, from rest to rest at the same mark; 2 or more.")
    ],
    phase: Annotated[str, typer.Option("--phase", help="as-found, trial or final.")],
    fields: FIELDS = None,
    by: BY = None,
    json_out: JSON = False,
) -> None:
    """Run-out from a recorded stream: the ring gear turned by hand, the plunger on its back face."""
    from web.cli.job_work import attach_stream

    raise typer.Exit(attach_stream("run-out", job, stream, phase, [*(fields or []), f"turns={turns}"], by, json_out))


@job_app.command()
def show(
    job: JOB,
    entries: Annotated[bool, typer.Option("--entries", help="Every entry too, corrected ones included.")] = False,
    json_out: JSON = False,
) -> None:
    """The job as it stands."""
    from web.cli.job_work import show_job

    raise typer.Exit(show_job(job, entries, json_out))


@job_app.command(name="next")
def next_(job: JOB, json_out: JSON = False) -> None:
    """What comes next, and why."""
    from web.cli.job_work import show_next

    raise typer.Exit(show_next(job, json_out))


@job_app.command()
def void(job: JOB, json_out: JSON = False) -> None:
    """List the readings that are not used, why, and what to measure again."""
    from web.cli.job_work import show_void

    raise typer.Exit(show_void(job, json_out))


@job_app.command()
def stock(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="A job's folder, or the folder of all jobs.")],
    json_out: JSON = False,
) -> None:
    """The shims of the shop: measured, set aside, fitted."""
    from web.cli.job_work import show_stock

    raise typer.Exit(show_stock(folder, json_out))


@job_app.command()
def check(job: JOB, json_out: JSON = False) -> None:
    """Read everything again and say whether it is the same: lines, streams, results, photos."""
    from web.cli.job_work import check_again

    raise typer.Exit(check_again(job, json_out))


@job_app.command(name="import")
def import_(
    table: Annotated[
        Path, typer.Argument(metavar="TABLE", help="Table of entries that export wrote, or the folder it lies in.")
    ],
    job: JOB,
    json_out: JSON = False,
) -> None:
    """Make a job again from the entries that export wrote; its streams and photos are put into its folder by hand."""
    from web.cli.job_work import import_again

    raise typer.Exit(import_again(table, job, json_out))


@job_app.command()
def close(
    job: JOB,
    not_checked: Annotated[str, typer.Option("--not-checked", help='What was not checked, or "nothing left out".')],
    fields: FIELDS = None,
    by: BY = None,
    json_out: JSON = False,
) -> None:
    """Close the job; refused while a step is neither done nor skipped with its reason."""
    from web.cli.job_work import close_job

    raise typer.Exit(close_job(job, not_checked, fields or [], by, json_out))


@job_app.command()
def kinds(
    kind: Annotated[str | None, typer.Argument(metavar="[KIND]", help="One kind only.")] = None, json_out: JSON = False
) -> None:
    """List the kinds of entries and their fields."""
    from web.cli.job_work import show_kinds

    raise typer.Exit(show_kinds(kind, json_out))
