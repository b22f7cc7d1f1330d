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

from analysis.readings import Scale, Unit
from capture.decoders import (
    AttributePackets,
    CountedBinary,
    Decoder,
    Frame,
    GattLength,
    JsonLines,
    LayoutError,
    PackedDecimal,
    TextLine,
)
from capture.decoders.checks import CRC_ALLOWED, is_crc
from capture.errors import ProfileError


@dataclass(frozen=True, slots=True)
class _Key:
    allowed: str
    check: Callable[[Any], object]


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


def _codes(top: int) -> _Key:
    def good(x: Any) -> bool:
        return isinstance(x, list) and 0 < len(x) <= top and all(_whole(n) and 0 <= n < top for n in x)

    return _Key(f"a list of whole numbers from 0 to {top - 1}", good)


def uuid_of(text: Any) -> str | None:
    """A Bluetooth identity in full: given as such, or by its four hex digits; None if it is none."""
    if not isinstance(text, str):
        return None
    if re.fullmatch(r"[0-9A-Fa-f]{4}", text):
        return f"0000{text.lower()}-0000-1000-8000-00805f9b34fb"
    return text.lower() if re.fullmatch(r"[0-9A-Fa-f]{8}(-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}", text) else None


_IDENTITY = _Key("a Bluetooth identity: 8-4-4-4-12 hex digits, or four for an assigned number", uuid_of)


def _key_name(x: Any) -> bool:
    return isinstance(x, str) and 0 < len(x) <= 64


_FIRST = _one_of("high-first", "low-first")

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
    "step_mm": _Key("display step above 0 while the bytes say mm", _positive),
    "step_in": _Key("display step above 0 while the bytes say inch", _positive),
    "layout": _Key("1 to 400 characters", lambda x: isinstance(x, str) and 0 < len(x) <= 400),
    "nibbles": _one_of("high-first", "low-first", "one-a-byte"),
    "bits": _FIRST,
    "digits": _FIRST,
    "plus": _codes(256),
    "minus": _codes(256),
    "mm": _codes(256),
    "inch": _codes(256),
    "point_from": _one_of("right", "left"),
    "endian": _one_of("big", "little"),
    "sign": _one_of("twos-complement", "magnitude", "unsigned"),
    "check": _one_of("none", "sum", "xor", "crc"),
    "check_from": _Key("a whole number of bytes, 0 to 63", lambda x: _whole(x) and 0 <= x < 64),
    "crc": _Key(CRC_ALLOWED, is_crc),
    "value_key": _Key("1 to 64 characters; a dot leads into an object within", _key_name),
    "unit_key": _Key("1 to 64 characters; a dot leads into an object within", _key_name),
    "step_key": _Key("1 to 64 characters; a dot leads into an object within", _key_name),
    "packets": _one_of("none", "attribute"),
    "service": _IDENTITY,
    "characteristic": _IDENTITY,
    "command": _IDENTITY,
    "delivery": _one_of("notify", "read"),
}


@dataclass(frozen=True)
class Profile:
    """A checked profile.

    Attributes
    ----------
    table : dict
        As recorded in a stream's header: ``use`` and everything that was set.
    values : dict
        Every key in force.
    kind : str
        Wire format: the packaged profile it starts from.
    """

    table: dict[str, Any]
    values: dict[str, Any]
    kind: str = "text-line"

    @property
    def scale(self) -> Scale:
        """Unit and step where the bytes do not carry them."""
        return Scale(Decimal(str(self.values["resolution"])), self.values["unit"])

    @property
    def period_s(self) -> float:
        """Expected time between readings."""
        return 1.0 / float(self.values["rate"])

    @property
    def steps(self) -> dict[Unit, Decimal]:
        """Display steps stated by unit."""
        named: tuple[tuple[str, Unit], ...] = (("step_mm", "mm"), ("step_in", "in"))
        return {unit: Decimal(str(self.values[key])) for key, unit in named if key in self.values}

    @property
    def packets(self) -> bool:
        """Whether a Bluetooth source keeps the packet around each value."""
        return self.kind == "gatt-length" or self.values.get("packets") == "attribute"

    def decoder(self) -> Decoder:
        """A new decoder."""
        return DECODERS[self.kind](self)


def _text_line(p: Profile) -> Decoder:
    v = p.values
    return TextLine(
        p.scale,
        end=v.get("end", "any"),
        pattern=v.get("pattern"),
        places=v.get("places"),
        checksum=v.get("checksum", "none"),
    )


def _picked(p: Profile, *names: str) -> dict[str, Any]:
    return {n: p.values[n] for n in names if n in p.values}


_CODES = ("plus", "minus", "mm", "inch")


def _packed_decimal(p: Profile) -> Decoder:
    how = _picked(p, "layout", "nibbles", "bits", "digits", "point_from", "places", *_CODES)
    return PackedDecimal(p.scale, steps=p.steps, **how)


def _counted_binary(p: Profile) -> Decoder:
    how = _picked(p, "layout", "endian", "sign", "check", "check_from", "crc", *_CODES)
    if not p.packets:
        return CountedBinary(p.scale, steps=p.steps, **how)
    one = CountedBinary(p.scale, steps=p.steps, packets=True, **how)

    def value(data: bytes) -> Frame | str:
        return one.judge(data) if len(data) == one.size else f"value has {len(data)} bytes, the layout {one.size}"

    return AttributePackets(value)


def _json_lines(p: Profile) -> Decoder:
    return JsonLines(p.scale, steps=p.steps, **_picked(p, "value_key", "unit_key", "step_key"))


def _gatt_length(p: Profile) -> Decoder:
    return GattLength(p.scale, steps=p.steps)


DECODERS: dict[str, Callable[[Profile], Decoder]] = {
    "text-line": _text_line,
    "packed-decimal": _packed_decimal,
    "counted-binary": _counted_binary,
    "json-lines": _json_lines,
    "gatt-length": _gatt_length,
}
"""Makers of decoders by wire format; each has a packaged profile of its name."""


def packaged_names() -> list[str]:
    """Names of the profiles that come with the program, the commonest first."""
    names = (p.name for p in resources.files("capture.profiles").iterdir())
    return sorted((n.removesuffix(".toml") for n in names if n.endswith(".toml")), key=lambda n: (n != "text-line", n))


def user_folder() -> Path:
    """Where the user's own profiles lie."""
    from platformdirs import user_config_path

    return user_config_path("shimwright") / "profiles"


def known_profiles() -> list[tuple[str, str]]:
    """Names that `load_profile` takes, each with where it comes from: the packaged ones first."""
    folder = user_folder()
    own = sorted(f.stem for f in folder.glob("*.toml")) if folder.is_dir() else []
    packaged = packaged_names()
    return [(n, "packaged") for n in packaged] + [(n, "your own") for n in own if n not in packaged]


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
    base = _base(name, where)
    values = {**base, **given}
    summed = values.get("checksum", "none")
    if summed != "none" and "sum" not in re.compile(values.get("pattern", "")).groupindex:
        raise ProfileError(
            f"{where}, checksum: given {summed!r}; allowed: with a pattern that has a group named sum, "
            "for the two hex digits"
        )
    if values.get("packets") == "attribute" and base["use"] not in ("counted-binary", "gatt-length"):
        raise ProfileError(f"{where}, packets: given 'attribute'; allowed: with counted-binary or gatt-length")
    profile = Profile(given | {"use": name}, values, base["use"])
    try:
        profile.decoder()
    except LayoutError as e:
        raise ProfileError(f"{where}, {e.key}: given {values.get(e.key)!r}; allowed: {e.allowed}") from None
    return profile


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
        near = difflib.get_close_matches(name, [n for n, _ in known_profiles()], 1)
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
