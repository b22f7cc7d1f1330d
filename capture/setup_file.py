"""Reading a set-up file."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from decimal import Decimal
from pathlib import Path

from analysis.setup import Setup, SetupError, parse_setup
from capture.errors import SetupFileError
from capture.exact_toml import exact_toml

_COMMA = re.compile(r"=\s*[+-]?\d+,\d")
_STREAM = re.compile(r'\s*\{\s*"format"')


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
        data = exact_toml(text)
    except FileNotFoundError:
        raise SetupFileError(f"{path}: no such file") from None
    except IsADirectoryError:
        raise SetupFileError(f"{path} is a folder; give the set-up file in it, for example {path}/setup.toml") from None
    except UnicodeDecodeError:
        raise SetupFileError(f"{path} is not UTF-8 text; save it again as plain text, encoding UTF-8") from None
    except ValueError as e:
        raise SetupFileError(f"{path}: not valid TOML: {e}{_hint(text, str(e))}") from None
    except OSError as e:
        raise SetupFileError(f"{path} cannot be read: {e.strerror or e}") from None
    try:
        return parse_setup(data), content
    except SetupError as e:
        raise SetupFileError("\n".join(f"{path}, {p}" for p in e.problems)) from None


def _hint(text: str, why: str) -> str:
    """The line a mistake stands in, and what is likely wrong with it."""
    if _STREAM.match(text):
        return ". This is a recording; the set-up is the file with [gearset] and [arbor] in it."
    at = re.search(r"line (\d+)", why)
    lines = text.split("\n")
    if at is None or int(at[1]) > len(lines):
        return ""
    line = lines[int(at[1]) - 1].strip()
    if not line:
        return ""
    comma = ". Write decimals with a point, 61.70 and not 61,70" if _COMMA.search(line) else ""
    return f": {line[:60]}{comma}"


def setup_text(setup: Setup) -> bytes:
    """A set-up as the content of a file that gives the very same set-up again.

    Raises
    ------
    SetupFileError
        If it would not.
    """
    tables = setup.model_dump(by_alias=True, exclude_defaults=True)
    lines = [f"{k} = {_toml(v)}" for k, v in tables.items() if not isinstance(v, Mapping)]
    for name, table in tables.items():
        if isinstance(table, Mapping):
            lines += ["", f"[{name}]", *(f"{k} = {_toml(v)}" for k, v in table.items())]
    out = ("\n".join(lines).strip("\n") + "\n").encode("utf-8")
    again = parse_setup(exact_toml(out.decode("utf-8")))
    if again != setup:
        raise SetupFileError("this set-up cannot be written down as a file that gives it again")
    return out


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Decimal):
        return f"{value:f}"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007F")
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{k} = {_toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    return str(value)
