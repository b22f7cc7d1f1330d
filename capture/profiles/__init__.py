"""How to talk to an indicator and read its bytes: packaged profiles, the user's own, those of installed packages, and overrides.

A profile is a flat table.  ``use`` names another profile (packaged, a file in the user's folder, or one that an installed
package brings, looked for in this order) whose keys it starts from; every other key overrides.  The keys are those of `KEYS`.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Mapping
from typing import Any

from capture.decoders import LayoutError
from capture.decoders.checks import CRC_ALLOWED
from capture.errors import ProfileError
from capture.profiles.keys import KEYS, check_names, check_values, parse_resolution, poll_bytes, uuid_of
from capture.profiles.places import (
    GROUP,
    Added,
    added_profiles,
    is_name,
    packaged_names,
    packaged_text,
    user_files,
    user_folder,
)
from capture.profiles.profile import DECODERS, Profile


def known_profiles() -> list[tuple[str, str]]:
    """Names that `load_profile` takes, each with where it comes from: the packaged ones first."""
    out = dict.fromkeys(packaged_names(), "packaged")
    for file in user_files():
        out.setdefault(file.stem, "your own")
    for added in added_profiles():
        if isinstance(added, Added):
            out.setdefault(added.name, added.whence)
    return list(out.items())


def load_profile(table: Mapping[str, Any] | str, where: str = "profile") -> Profile:
    """A profile from its table or its name.

    Raises
    ------
    ProfileError
        With the place, the key, what was given and what is allowed.
    """
    given: dict[str, Any] = {"use": table} if isinstance(table, str) else dict(table)
    name = given.get("use", "text-line")
    if not isinstance(name, str):
        raise ProfileError(
            f"{where}, use: given {name!r}; allowed: the name of a profile, one of {', '.join(packaged_names())}"
        )
    check_values(given, where)
    own = {} if name in packaged_names() else _own(name, where)
    kind = own.get("use", "text-line") if own else name
    base = tomllib.loads(packaged_text(kind))
    values = {**base, **own, **given}
    summed = values.get("checksum", "none")
    if summed != "none" and "sum" not in re.compile(values.get("pattern", "")).groupindex:
        raise ProfileError(
            f"{where}, checksum: given {summed!r}; allowed: with a pattern that has a group named sum, "
            "for the two hex digits"
        )
    if summed == "crc-hex" and "crc" not in values:
        raise ProfileError(f"{where}, checksum: given 'crc-hex'; allowed: with crc = {CRC_ALLOWED}")
    if kind == "text-line" and "length" in values and "pattern" not in values:
        raise ProfileError(f"{where}, length: given {values['length']!r}; allowed: with a pattern for the whole of it")
    if values.get("packets") == "attribute" and kind not in ("counted-binary", "gatt-length"):
        raise ProfileError(f"{where}, packets: given 'attribute'; allowed: with counted-binary or gatt-length")
    profile = Profile({**own, **given, "use": kind}, {**values, "use": kind}, kind, name)
    try:
        profile.decoder()
    except LayoutError as e:
        raise ProfileError(f"{where}, {e.key}: given {values.get(e.key)!r}; allowed: {e.allowed}") from None
    return profile


def _own(name: str, where: str) -> dict[str, Any]:
    """The table of a profile that does not come with the program."""
    if not is_name(name):
        raise ProfileError(f"{where}, use: given {name!r}; allowed: letters, digits and hyphens")
    file = user_folder() / f"{name}.toml"
    if file.is_file():
        return _read(file, str(file))
    broken: list[str] = []
    fits: list[Added] = []
    for added in added_profiles():
        if isinstance(added, ProfileError):
            broken.append(str(added))
        elif added.name == name:
            fits.append(added)
    if len(fits) > 1:
        raise ProfileError(
            f"{where}, use: given {name!r}, which {' and '.join(a.whence for a in fits)} both bring; "
            f"allowed: one that is alone. Remove one of the packages, or keep a copy of the right one as {file}"
        )
    if fits:
        return _read(fits[0].file, fits[0].place)
    names = packaged_names()
    near = difflib.get_close_matches(name, [n for n, _ in known_profiles()], 1)
    hint = f"; nearest valid name: {near[0]}" if near else ""
    more = "".join(f". Besides, {b}" for b in broken)
    raise ProfileError(
        f"{where}, use: no profile {name!r}; allowed: {', '.join(names)}, a file {name}.toml in {user_folder()}, "
        f"or one that an installed package brings{hint}{more}"
    )


def _read(file: Any, place: str) -> dict[str, Any]:
    try:
        own = tomllib.loads(file.read_text("utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError) as e:
        raise ProfileError(f"{place}: {e}") from None
    check_names(own, place)
    base, names = own.get("use", "text-line"), packaged_names()
    if base not in names:
        raise ProfileError(f"{place}, use: given {base!r}; allowed: a packaged profile, one of {', '.join(names)}")
    check_values(own, place)
    return {**own, "use": base}


__all__ = [
    "DECODERS",
    "GROUP",
    "KEYS",
    "Added",
    "Profile",
    "added_profiles",
    "check_names",
    "known_profiles",
    "load_profile",
    "packaged_names",
    "parse_resolution",
    "poll_bytes",
    "user_files",
    "user_folder",
    "uuid_of",
]
