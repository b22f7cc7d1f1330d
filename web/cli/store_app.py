"""The commands of ``shimwright store``.  Each imports what it needs when it runs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

app = typer.Typer(
    help="The evidence store: what the raw streams say, in a database. The raw streams are the truth; it is made from them.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

STORE = Annotated[
    str | None,
    typer.Option(
        "--store",
        envvar="SHIMWRIGHT_STORE",
        help="File of the store, or postgresql://user@host/database; by default in your data folder.",
    ),
]
JSON = Annotated[bool, typer.Option("--json", help="JSON on standard output.")]


@app.command()
def rebuild(
    folder: Annotated[
        Path | None, typer.Argument(help="Folder of raw streams; by default where serve records.", metavar="FOLDER")
    ] = None,
    setup: Annotated[
        Path | None, typer.Option("--setup", help="Set-up file for streams that have no setup.toml beside them.")
    ] = None,
    store: STORE = None,
    json_out: JSON = False,
) -> None:
    """Make the rows again from the raw streams; streams being recorded are left alone."""
    from web.cli.store import rebuild_command

    raise typer.Exit(rebuild_command(folder, store, setup, json_out))


@app.command()
def backup(
    file: Annotated[Path, typer.Argument(help="File to make; it must not exist.", metavar="FILE")],
    store: STORE = None,
    json_out: JSON = False,
) -> None:
    """Copy the whole store into one file while recording goes on. Never copy the store's own file by hand."""
    from web.cli.store import backup_command

    raise typer.Exit(backup_command(file, store, json_out))


@app.command()
def check(store: STORE = None, json_out: JSON = False) -> None:
    """See whether the store is sound and agrees with the raw streams; nothing is changed."""
    from web.cli.store import check_command

    raise typer.Exit(check_command(store, json_out))


@app.command(name="list")
def list_streams(store: STORE = None, json_out: JSON = False) -> None:
    """The streams in the store with their results."""
    from web.cli.store import list_command

    raise typer.Exit(list_command(store, json_out))
