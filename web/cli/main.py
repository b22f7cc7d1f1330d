"""Commands.  Each imports what it needs when it runs, so that every one starts quickly."""

from __future__ import annotations

import sys
from io import TextIOWrapper
from pathlib import Path
from typing import Annotated

import typer

from web.cli.job import job_app
from web.cli.options import BAUD, HOST, PORT, PROFILE, QUIET, RATE, RECORD, SETUP, STEP, UNIT, profile_table
from web.cli.store_app import app as store_app

app = typer.Typer(
    name="shimwright",
    help="Listens to a digital indicator while a ring-and-pinion is set up: depth, its uncertainty, and the shim. "
    "It informs; a competent person decides, and the maker's workshop manual overrides it.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


def run() -> None:
    """Entry point: turns foreseeable errors into one clear paragraph and exit code 1, or 2 for wrong usage."""
    if isinstance(sys.stdout, TextIOWrapper):
        # A file name that is no text, or a console without Greek letters, must not end the work.
        sys.stdout.reconfigure(errors="backslashreplace")
    try:
        app(standalone_mode=True)
    except KeyboardInterrupt:
        raise SystemExit(130) from None
    except BrokenPipeError:
        sys.stderr.close()
        raise SystemExit(0) from None
    except Exception as e:  # the errors are imported once there is one: the start must be quick
        from capture.errors import CaptureError, WrongUsageError

        if isinstance(e, CaptureError):
            sys.stderr.write(f"shimwright: {e}\n")
            raise SystemExit(2 if isinstance(e, WrongUsageError) else 1) from None
        raise


@app.command()
def analyse(
    streams: Annotated[list[Path], typer.Argument(metavar="STREAM...", help="Raw streams (stream.jsonl).")],
    setup: SETUP = None,
    json_lines: Annotated[bool, typer.Option("--json", help="One JSON object a stream on standard output.")] = False,
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, help="Processes; all cores from 50 streams on.")
    ] = None,
) -> None:
    """Find the sweeps in recorded streams, judge them, and give the depth and the shim."""
    from web.cli.analyse import analyse_command

    raise typer.Exit(analyse_command(streams, setup, json_lines, workers))


@app.command()
def listen(
    source: Annotated[
        list[str],
        typer.Argument(
            help="serial:PORT, socket://host:port, rfc2217://host:port, ble:ADDRESS or NAME, replay:FILE, typed; several "
            "are listened to at once, and then each line names its source"
        ),
    ],
    profile: PROFILE = None,
    unit: UNIT = None,
    resolution: STEP = None,
    rate: RATE = None,
    baud: BAUD = None,
    record: RECORD = None,
) -> None:
    """Print readings as JSON lines, for ever, through unplugging."""
    from web.cli.listen import listen_command

    each = [(s, profile_table(s, profile, unit, resolution, rate, baud)) for s in source]
    raise typer.Exit(listen_command(each, record))


@app.command()
def identify(
    source: Annotated[
        str,
        typer.Argument(help="serial:PORT, socket://host:port, rfc2217://host:port, ble:ADDRESS or NAME, replay:FILE"),
    ],
    seconds: Annotated[float, typer.Option("--seconds", help="Longest time to listen.", min=1.0, max=600.0)] = 40.0,
    poll: Annotated[
        str | None,
        typer.Option("--poll", help="Bytes to send to ask for a reading, such as '?\\r'; else nothing is sent."),
    ] = None,
    name: Annotated[str | None, typer.Option("--name", help="Name to keep the profile under.")] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Keep the first without asking.")] = False,
    json_out: Annotated[bool, typer.Option("--json", help="Candidates as JSON.")] = False,
) -> None:
    """Listen to an indicator nobody knows, show what its bytes may mean, and keep the profile that fits."""
    from web.cli.identify import identify_command

    raise typer.Exit(identify_command(source, seconds, poll, name, yes, json_out))


@app.command()
def still(
    source: Annotated[
        str,
        typer.Argument(
            metavar="STREAM|SOURCE",
            help="A raw stream (stream.jsonl), or serial:PORT, socket://host:port, rfc2217://host:port, ble:ADDRESS or NAME to listen to now.",
        ),
    ],
    seconds: Annotated[
        float, typer.Option("--seconds", help="How long to listen to a source.", min=2.0, max=3600.0)
    ] = 30.0,
    begin: Annotated[
        float | None, typer.Option("--from", help="Seconds into a stream at which the display began to stand.")
    ] = None,
    end: Annotated[float | None, typer.Option("--to", help="Seconds into a stream up to which it stood.")] = None,
    profile: PROFILE = None,
    unit: UNIT = None,
    resolution: STEP = None,
    rate: RATE = None,
    baud: BAUD = None,
    json_out: Annotated[bool, typer.Option("--json", help="The study as one JSON object.")] = False,
) -> None:
    """How well the indicator repeats by itself: hold its tip on a still surface, and see what to type in the set-up file."""
    from web.cli.still import still_command

    chosen = profile_table(source, profile, unit, resolution, rate, baud)
    raise typer.Exit(still_command(source, chosen, seconds, begin, end, json_out))


@app.command()
def serve(
    source: Annotated[
        str | None,
        typer.Argument(
            help="serial:PORT, socket://host:port, rfc2217://host:port, ble:ADDRESS or NAME, replay:FILE, push; "
            "left out, the indicator that was chosen on the page last"
        ),
    ] = None,
    setup: SETUP = None,
    profile: PROFILE = None,
    unit: UNIT = None,
    resolution: STEP = None,
    rate: RATE = None,
    baud: BAUD = None,
    record: RECORD = None,
    jobs: Annotated[
        Path | None,
        typer.Option("--jobs", help="Folder of the jobs; by default in your data folder, beside the recordings."),
    ] = None,
    store: Annotated[
        str | None,
        typer.Option(
            "--store",
            envvar="SHIMWRIGHT_STORE",
            help="Evidence store: a file, postgresql://user@host/database, or off; by default in your data folder.",
        ),
    ] = None,
    port: PORT = 8710,
    host: HOST = "127.0.0.1",
    no_browser: QUIET = False,
) -> None:
    """Listen to an indicator and show the page."""
    from web.cli.begun import begin_with
    from web.cli.serve import serve_command

    begun = begin_with(source)
    table = profile_table(begun.source, profile or begun.profile, unit, resolution, rate, baud)
    raise typer.Exit(serve_command(begun, setup, table, record, host, port, not no_browser, jobs, store))


@app.command()
def demo(
    port: PORT = 8710,
    host: HOST = "127.0.0.1",
    no_browser: QUIET = False,
    seed: Annotated[int, typer.Option(help="Another seed, another hand.")] = 1,
    speed: Annotated[float, typer.Option(help="How fast the bench runs; 1 is real time.", min=0.1, max=20.0)] = 1.0,
    record: RECORD = None,
) -> None:
    """Show the page with an invented bench on a real pseudo-terminal."""
    from web.cli.serve import demo_command

    raise typer.Exit(demo_command(host, port, not no_browser, seed, speed, record))


@app.command()
def pair(
    port: Annotated[int, typer.Option("--port", help="Port of the page.", min=1, max=65535)] = 8710,
    json_out: Annotated[bool, typer.Option("--json", help="The code and its addresses as JSON.")] = False,
) -> None:
    """Have the shimwright that runs on this machine show a new code, with which another device is paired."""
    from web.cli.pair import pair_command

    raise typer.Exit(pair_command(port, json_out))


@app.command()
def shims(
    setup: Annotated[Path, typer.Option("--setup", help="Set-up file (TOML).")],
    depth: Annotated[str, typer.Option("--depth", help="Measured distance from axis to face, in the set-up's unit.")],
    json_out: Annotated[bool, typer.Option("--json", help="The shim object as JSON.")] = False,
) -> None:
    """The shim for a distance you measured yourself."""
    from web.cli.shims import shims_command

    raise typer.Exit(shims_command(setup, depth, json_out))


@app.command()
def report(
    streams: Annotated[
        list[Path], typer.Argument(metavar="STREAM...|JOB", help="Raw streams (stream.jsonl), or a job's folder.")
    ],
    out: Annotated[Path, typer.Option("-o", "--out", help="The sheet: NAME.html, or NAME.pdf with the extra [pdf].")],
    setup: SETUP = None,
    unit: Annotated[
        str | None, typer.Option("--unit", help="Which unit it is, as it shall stand on the sheet.")
    ] = None,
    by: Annotated[str | None, typer.Option("--by", help="Who measured, as it shall stand on the sheet.")] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Write over a sheet that is already there.")] = False,
    json_out: Annotated[bool, typer.Option("--json", help="One JSON object on standard output.")] = False,
) -> None:
    """Write the sheet that stays with the unit."""
    from web.cli.report import report_command

    raise typer.Exit(report_command(streams, out, setup, unit, by, replace, json_out))


@app.command()
def verify(
    sheet: Annotated[
        Path, typer.Argument(metavar="SHEET|JOB", help="A sheet written by report (.html), or a job's folder.")
    ],
    streams: Annotated[
        list[Path] | None, typer.Argument(metavar="[STREAM]...", help="Raw streams, if they lie elsewhere now.")
    ] = None,
    json_out: Annotated[bool, typer.Option("--json", help="One JSON object on standard output.")] = False,
) -> None:
    """Work everything on a sheet, or in a job, out again from the raw streams, and say line by line whether it is the same."""
    from web.cli.verify import verify_command

    raise typer.Exit(verify_command(sheet, streams or [], json_out))


@app.command()
def export(
    streams: Annotated[
        list[Path], typer.Argument(metavar="STREAM...|JOB", help="Raw streams (stream.jsonl), or a job's folder.")
    ],
    folder: Annotated[Path, typer.Option("-o", "--out", help="Folder for the tables.")],
    to: Annotated[str, typer.Option("--to", help="csv, parquet or json.")] = "csv",
    setup: SETUP = None,
    replace: Annotated[bool, typer.Option("--replace", help="Write over tables that are already there.")] = False,
    json_out: Annotated[bool, typer.Option("--json", help="One JSON object on standard output.")] = False,
) -> None:
    """Write sets, sweeps, budgets and readings as plain tables."""
    from web.cli.export import export_command

    raise typer.Exit(export_command(streams, setup, to, folder, replace, json_out))


@app.command()
def doctor(
    json_out: Annotated[bool, typer.Option("--json", help="Findings as JSON.")] = False,
) -> None:
    """Look at ports, permissions, Bluetooth and disk, and say how to cure what is wrong."""
    from web.cli.doctor import doctor_command

    raise typer.Exit(doctor_command(json_out))


app.add_typer(store_app, name="store")
app.add_typer(job_app)
