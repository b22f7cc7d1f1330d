"""Options that several commands have."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

SETUP = Annotated[Path | None, typer.Option("--setup", help="Set-up file (TOML).")]
PROFILE = Annotated[
    str | None,
    typer.Option(
        "--profile",
        help="Profile of the indicator's bytes; text-line if not given, gatt-length over Bluetooth, json-lines for push.",
    ),
]
UNIT = Annotated[str | None, typer.Option("--unit", help="Unit of the display where the bytes do not say: mm or in.")]
STEP = Annotated[str | None, typer.Option("--resolution", help="Display step, in that unit.")]
RATE = Annotated[float | None, typer.Option("--rate", help="Readings per second.")]
BAUD = Annotated[int | None, typer.Option("--baud", help="Speed of the serial line.")]
RECORD = Annotated[Path | None, typer.Option("--record", help="Folder for raw streams.")]
PORT = Annotated[int, typer.Option("--port", help="Port of the page; 0 takes a free one.", min=0, max=65535)]
HOST = Annotated[str, typer.Option("--host", help="Address to serve on.")]
QUIET = Annotated[bool, typer.Option("--no-browser", help="Do not open a browser.")]


def profile_table(
    source: str, name: str | None, unit: str | None, resolution: str | None, rate: float | None, baud: int | None
) -> dict[str, object]:
    """The profile an indicator's options ask for, as a table that `load_profile` takes.

    Raises
    ------
    WrongUsageError
        If the display step is no step.
    """
    usual = "gatt-length" if source.startswith("ble:") else "json-lines" if source == "push" else "text-line"
    table: dict[str, object] = {"use": name or usual}
    if unit is not None:
        table["unit"] = unit
    if resolution is not None:
        from capture.errors import ProfileError, WrongUsageError
        from capture.profiles import parse_resolution

        try:
            table["resolution"] = float(parse_resolution(resolution))
        except ProfileError as e:
            raise WrongUsageError(str(e)) from None
    if rate is not None:
        table["rate"] = rate
    if baud is not None:
        table["baud"] = baud
    return table
