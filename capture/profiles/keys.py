"""The keys of a profile, and what each may be."""

from __future__ import annotations

import difflib
import re
import threading
import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import Any

from capture.decoders.checks import CRC_ALLOWED, is_crc
from capture.decoders.text_checks import KINDS
from capture.errors import ProfileError

_WARNINGS = threading.Lock()
"""Which warnings are errors is a setting of the whole program."""


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
    if not isinstance(x, str):
        return False
    try:
        with _WARNINGS, warnings.catch_warnings():
            # What a later Python will read in another way would make another reading of an old recording.
            warnings.simplefilter("error", FutureWarning)
            return "value" in re.compile(x).groupindex
    except (re.error, OverflowError, RecursionError, FutureWarning):
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


_ENDS = ("any", "crlf", "cr", "lf")


def end_text(end: str) -> str:
    """The characters an ``end`` key stands for, or one of its names.

    Raises
    ------
    ValueError
        If it stands for none.
    """
    return end if end in _ENDS else poll_bytes(end).decode("latin-1")


def _end(x: Any) -> bool:
    try:
        # A letter or digit may be of the value; and a name that is none must not be taken for an end.
        return isinstance(x, str) and (
            x in _ENDS or (0 < len(end_text(x)) <= 4 and not any(c.isalnum() or c in "+-.," for c in end_text(x)))
        )
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
    "line_errors": _one_of("check", "ignore"),
    "lines": _one_of("assert", "clear", "leave"),
    "settle": _Key("seconds, 0 to 60", lambda x: _number(x) and 0 <= x <= 60),
    "end": _Key(
        '"any", "crlf", "cr", "lf", or the 1 to 4 characters that come after each value, no letters or digits, escapes such as '
        "\\x03 included",
        _end,
    ),
    "length": _Key(
        "2 to 64 characters of a value, where nothing comes between values", lambda x: _whole(x) and 2 <= x <= 64
    ),
    "pattern": _Key("a regular expression with a group named value, and no [[, --, && or || within brackets", _pattern),
    "places": _Key("0 to 6 decimal places", lambda x: _whole(x) and 0 <= x <= 6),
    "power": _Key("a whole number, -9 to 9: the power of ten to multiply by", lambda x: _whole(x) and -9 <= x <= 9),
    "checksum": _one_of(*KINDS),
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
    "check_endian": _one_of("big", "little"),
    "number": _one_of("whole", "float"),
    "sign": _one_of("twos-complement", "magnitude", "offset", "unsigned"),
    "check": _one_of("none", "sum", "complement", "xor", "crc"),
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
    "notify_by": _one_of("signal", "socket"),
    "boot": _IDENTITY,
}


def check_values(table: Mapping[str, Any], where: str) -> None:
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
