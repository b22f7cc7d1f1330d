"""Writing a profile into the user's folder."""

from __future__ import annotations

import json
import os
import re
import tomllib
from pathlib import Path
from typing import Any

from capture.errors import CaptureError, ProfileError
from capture.profiles import load_profile, packaged_names, user_folder


def keep(table: dict[str, Any], name: str) -> Path:
    """Write a profile as a file of the user's own; an existing one is never overwritten.

    Raises
    ------
    ProfileError
        If the name cannot be used.
    CaptureError
        If the file cannot be written.
    """
    if not re.fullmatch(r"[\w-]{1,64}", name, re.ASCII) or name in packaged_names():
        raise ProfileError(
            f"name: given {name!r}; allowed: letters, digits and hyphens, and none of {', '.join(packaged_names())}"
        )
    table = load_profile(table, "profile to keep").table
    text = as_toml(table)
    assert tomllib.loads(text) == table
    file = user_folder() / f"{name}.toml"
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        with open(file, "x", encoding="utf-8") as f:
            f.write("# Found by listening to the indicator.\n" + text)
            f.flush()
            os.fsync(f.fileno())
    except FileExistsError:
        raise CaptureError(f"{file} exists already and is left as it is. Choose another name.") from None
    except OSError as e:
        raise CaptureError(f"{file} cannot be written: {e.strerror}.") from None
    return file


def as_toml(table: dict[str, Any]) -> str:
    """A profile table as TOML."""
    return "".join(f"{key} = {_value(value)}\n" for key, value in table.items())


def _value(x: Any) -> str:
    if isinstance(x, dict):
        return "{ " + ", ".join(f"{k} = {_value(v)}" for k, v in x.items()) + " }"
    if isinstance(x, list):
        return "[" + ", ".join(map(_value, x)) + "]"
    # Strings, numbers and truth are written alike in both languages, but for the character 7F.
    return json.dumps(x).replace("\x7f", "\\u007f")
