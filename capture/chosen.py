"""The indicator that was chosen on the page, kept with the user's other settings so that a restart goes on with it.

The file is ``indicator.toml`` in the user's folder of settings, beside the folder of profiles::

    source = "serial:at:1-2.3"
    profile = "bench-one"

It may be written by hand, and removing it forgets the choice.
"""

from __future__ import annotations

import difflib
import tomllib
from dataclasses import dataclass
from pathlib import Path

from capture.errors import CaptureError
from capture.identify.keeping import as_toml
from capture.rawstream.disk import DISK, write_small

KEYS = ("source", "profile")

_HEAD = "# Written by shimwright when an indicator is chosen on the page: shimwright serve begins with it when no SOURCE is given.\n"


@dataclass(frozen=True)
class Chosen:
    """What is to be listened to, and the profile it is read with.

    Attributes
    ----------
    source : str
        SOURCE text.
    profile : str
        Name of a profile.
    """

    source: str
    profile: str


def chosen_file() -> Path:
    """Where the choice is kept."""
    from platformdirs import user_config_path

    return user_config_path("shimwright") / "indicator.toml"


def keep_choice(chosen: Chosen) -> Path:
    """Keep a choice in place of an older one.

    Raises
    ------
    CaptureError
        If it cannot be written.
    """
    file = chosen_file()
    text = _HEAD + as_toml({"source": chosen.source, "profile": chosen.profile})
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        write_small(DISK, file, text.encode("utf-8"))
    except OSError as e:
        raise CaptureError(f"{file} cannot be written: {e.strerror or e}.") from None
    return file


def kept_choice() -> Chosen | None:
    """The choice that was kept; None where there is none.

    Raises
    ------
    CaptureError
        If the file cannot be read, or says something else.
    """
    file = chosen_file()
    try:
        table = tomllib.loads(file.read_text("utf-8"))
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError) as e:
        raise CaptureError(f"{file} cannot be read: {e}. {cure_for(file)}") from None
    for key in table:
        if key not in KEYS:
            near = difflib.get_close_matches(key, KEYS, 1)
            hint = f"; nearest valid name: {near[0]}" if near else ""
            raise CaptureError(f"{file}, {key}: unknown; allowed: {', '.join(KEYS)}{hint}. {cure_for(file)}")
    for key in KEYS:
        value = table.get(key)
        if not isinstance(value, str) or not value:
            given = "nothing" if value is None else repr(value)
            raise CaptureError(
                f"{file}, {key}: given {given}; allowed: a text, as it was given to serve. {cure_for(file)}"
            )
    return Chosen(table["source"], table["profile"])


def cure_for(file: Path) -> str:
    """What to do about a choice that cannot be used."""
    return f"Give the indicator, shimwright serve SOURCE, and choose it anew on the page; or remove {file}."
