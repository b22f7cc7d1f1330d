"""Reading a set-up file."""

from __future__ import annotations

import tomllib
from decimal import Decimal
from pathlib import Path

from analysis.setup import Setup, SetupError, parse_setup
from capture.errors import SetupFileError


def load_setup(path: Path) -> Setup:
    """The set-up in a TOML file.

    Raises
    ------
    SetupFileError
        One line per problem: file, key, what was given, what is allowed, nearest valid name.
    """
    return read_setup(path)[0]


def read_setup(path: Path) -> tuple[Setup, bytes]:
    """The set-up in a TOML file, and the very bytes it was read from, to be kept with a recording.

    Raises
    ------
    SetupFileError
        As `load_setup`.
    """
    try:
        content = path.read_bytes()
        # Ends of lines as a text file has them, whichever system wrote it.
        text = content.decode("utf-8-sig").replace("\r\n", "\n").replace("\r", "\n")
        data = tomllib.loads(text, parse_float=Decimal)
    except FileNotFoundError:
        raise SetupFileError(f"{path}: no such file") from None
    except tomllib.TOMLDecodeError as e:
        raise SetupFileError(f"{path}: not valid TOML: {e}") from None
    except (OSError, UnicodeDecodeError) as e:
        raise SetupFileError(f"{path} cannot be read: {e}") from None
    try:
        return parse_setup(data), content
    except SetupError as e:
        raise SetupFileError("\n".join(f"{path}, {p}" for p in e.problems)) from None
