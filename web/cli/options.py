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
    """The profile an indicator's options ask for, as a table that `load_profile` takes; a recording's own where none is named.

    Raises
    ------
    WrongUsageError
        If the display step is no step.
    CaptureError
        If a recording or its profile cannot be used.
    """
    if name is None and source.startswith("replay:"):
        table = _recorded(Path(source.removeprefix("replay:")))
    else:
        table = _usual(source, name)
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


def _usual(source: str, name: str | None) -> dict[str, object]:
    usual = "gatt-length" if source.startswith("ble:") else "json-lines" if source == "push" else "text-line"
    return {"use": name or usual}


def _recorded(path: Path) -> dict[str, object]:
    from capture.profiles import load_profile
    from capture.rawstream import read_header

    return dict(load_profile(read_header(path).profile, f"{path}, line 1, profile").table)
