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
    try:
        data = tomllib.loads(path.read_text("utf-8-sig"), parse_float=Decimal)
    except FileNotFoundError:
        raise SetupFileError(f"{path}: no such file") from None
    except tomllib.TOMLDecodeError as e:
        raise SetupFileError(f"{path}: not valid TOML: {e}") from None
    except (OSError, UnicodeDecodeError) as e:
        raise SetupFileError(f"{path} cannot be read: {e}") from None
    try:
        return parse_setup(data)
    except SetupError as e:
        raise SetupFileError("\n".join(f"{path}, {p}" for p in e.problems)) from None
