"""How to talk to an indicator and read its bytes: packaged profiles, the user's own, and overrides.

A profile is a flat table.  ``use`` names another profile (packaged, or a file in the user's folder) whose keys it starts
from; every other key overrides.  The keys are those of `KEYS`.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from importlib import resources
from pathlib import Path
from typing import Any

from analysis.readings import Scale
from capture.decoders import Decoder, TextLine
from capture.errors import ProfileError


@dataclass(frozen=True, slots=True)
class _Key:
    allowed: str
    check: Callable[[Any], bool]


def _number(x: Any) -> bool:
    return isinstance(x, int | float | Decimal) and not isinstance(x, bool)


def _positive(x: Any) -> bool:
    return _number(x) and Decimal(x).is_finite() and x > 0


def _whole(x: Any) -> bool:
    return isinstance(x, int) and not isinstance(x, bool)


def _one_of(*names: str) -> _Key:
    return _Key(", ".join(f'"{n}"' for n in names), lambda x: x in names)


def _pattern(x: Any) -> bool:
    try:
        return isinstance(x, str) and "value" in re.compile(x).groupindex
    except (re.error, OverflowError, RecursionError):
        return False


def poll_bytes(text: str) -> bytes:
    """The bytes a ``poll`` key stands for: latin-1 text with backslash escapes.

    Raises
    ------
    ValueError
        If it stands for none.
    """
    return text.encode("latin-1").decode("unicode_escape").encode("latin-1")


def _poll(x: Any) -> bool:
    try:
        return isinstance(x, str) and 0 < len(x) <= 64 and bool(poll_bytes(x))
    except ValueError:
        return False


KEYS: dict[str, _Key] = {
    "use": _Key("the name of a profile", lambda x: isinstance(x, str)),
    "unit": _one_of("mm", "in"),
    "resolution": _Key("a display step above 0, in the profile's unit", _positive),
    "rate": _Key("readings per second, above 0", _positive),
    "baud": _Key("a whole number above 0", lambda x: _whole(x) and x > 0),
    "bytesize": _Key("7 or 8", lambda x: _whole(x) and x in (7, 8)),
    "parity": _one_of("none", "even", "odd"),
    "stopbits": _Key("1 or 2", lambda x: _whole(x) and x in (1, 2)),
    "lines": _one_of("assert", "clear", "leave"),
    "end": _one_of("any", "crlf", "cr", "lf"),
    "pattern": _Key("a regular expression with a group named value", _pattern),
    "places": _Key("0 to 6 decimal places", lambda x: _whole(x) and 0 <= x <= 6),
    "checksum": _one_of("none", "xor-hex", "sum-hex"),
    "poll": _Key("1 to 64 characters that ask for a reading, escapes such as \\r included", _poll),
    "interval": _Key("seconds between polls, above 0", _positive),
}

DECODERS = ("text-line",)


@dataclass(frozen=True)
class Profile:
    """A checked profile.

    Attributes
    ----------
    table : dict
        As recorded in a stream's header: ``use`` and everything that was set.
    values : dict
        Every key in force.
    """

    table: dict[str, Any]
    values: dict[str, Any]

    @property
    def scale(self) -> Scale:
        """Unit and step where the bytes do not carry them."""
        return Scale(Decimal(str(self.values["resolution"])), self.values["unit"])

    @property
    def period_s(self) -> float:
        """Expected time between readings."""
        return 1.0 / float(self.values["rate"])

    def decoder(self) -> Decoder:
        """A new decoder."""
        v = self.values
        return TextLine(
            self.scale,
            end=v.get("end", "any"),
            pattern=v.get("pattern"),
            places=v.get("places"),
            checksum=v.get("checksum", "none"),
        )


def packaged_names() -> list[str]:
    """Names of the profiles that come with the program."""
    return sorted(
        p.name.removesuffix(".toml") for p in resources.files("capture.profiles").iterdir() if p.name.endswith(".toml")
    )


def user_folder() -> Path:
    """Where the user's own profiles lie."""
    from platformdirs import user_config_path

    return user_config_path("shimwright") / "profiles"


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
    _check(given, where)
    values = {**_base(name, where), **given}
    summed = values.get("checksum", "none")
    if summed != "none" and "sum" not in re.compile(values.get("pattern", "")).groupindex:
        raise ProfileError(
            f"{where}, checksum: given {summed!r}; allowed: with a pattern that has a group named sum, "
            "for the two hex digits"
        )
    return Profile(given | {"use": name}, values)


def _check(table: Mapping[str, Any], where: str) -> None:
    """Check every value; a stream's header may hold keys of a later version, which are passed over."""
    for key, value in table.items():
        rule = KEYS.get(key)
        if rule is not None and not rule.check(value):
            raise ProfileError(f"{where}, {key}: given {value!r}; allowed: {rule.allowed}")


def check_names(table: Mapping[str, Any], where: str) -> None:
    """Refuse keys no profile has, with the nearest name that one has.

    Raises
    ------
    ProfileError
    """
    for key in table:
        if key not in KEYS:
            near = difflib.get_close_matches(key, KEYS, 1)
            hint = f"; nearest valid name: {near[0]}" if near else ""
            raise ProfileError(f"{where}, {key}: unknown; allowed: {', '.join(KEYS)}{hint}")


def _base(name: str, where: str) -> dict[str, Any]:
    names = packaged_names()
    if name in names:
        text = (resources.files("capture.profiles") / f"{name}.toml").read_text("utf-8")
        return tomllib.loads(text)
    if not re.fullmatch(r"[\w-]{1,64}", name):
        raise ProfileError(f"{where}, use: given {name!r}; allowed: letters, digits and hyphens")
    file = user_folder() / f"{name}.toml"
    if not file.is_file():
        near = difflib.get_close_matches(name, names, 1)
        hint = f"; nearest valid name: {near[0]}" if near else ""
        raise ProfileError(
            f"{where}, use: no profile {name!r}; allowed: {', '.join(names)}, or a file {name}.toml in {user_folder()}{hint}"
        )
    try:
        own = tomllib.loads(file.read_text("utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as e:
        raise ProfileError(f"{file}: {e}") from None
    check_names(own, str(file))
    base = own.get("use", "text-line")
    if base == name or base not in names:
        raise ProfileError(f"{file}, use: given {base!r}; allowed: a packaged profile, one of {', '.join(names)}")
    _check(own, str(file))
    return {**_base(base, str(file)), **own}


def parse_resolution(text: str) -> Decimal:
    """A display step typed by the user.

    Raises
    ------
    ProfileError
    """
    try:
        step = Decimal(text.replace(",", "."))
    except InvalidOperation:
        step = Decimal(0)
    if not step.is_finite() or step <= 0:
        raise ProfileError(f"resolution: given {text!r}; allowed: a number above 0, such as 0.001")
    return step
