"""A bad profile is refused with the place, the key, what was given and what is allowed."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from capture import profiles
from capture.decoders import Frame
from capture.errors import ProfileError
from capture.profiles import KEYS, check_names, load_profile, packaged_names, parse_resolution


@pytest.fixture
def own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder for the user's own profiles."""
    monkeypatch.setattr(profiles, "user_folder", lambda: tmp_path)
    return tmp_path


def refused(table: Any, where: str = "command line") -> str:
    """Text of the refusal, one paragraph."""
    with pytest.raises(ProfileError) as e:
        load_profile(table, where)
    text = str(e.value)
    assert "\n" not in text
    return text


def test_the_packaged_profiles_load_and_their_keys_are_known() -> None:
    assert "text-line" in packaged_names()
    for name in packaged_names():
        p = load_profile(name)
        assert p.table == {"use": name}
        assert p.period_s == pytest.approx(1 / p.values["rate"])
        check_names(p.values, name)
        assert p.decoder().feed(b"") == []


def test_the_text_line_profile_decodes() -> None:
    (item,) = load_profile("text-line").decoder().feed(b"+000.478\r\n")
    assert isinstance(item, Frame)
    assert (item.counts, item.scale.unit, item.scale.step) == (478, "mm", Decimal("0.001"))


def test_given_keys_override_and_are_recorded_alone() -> None:
    table = {"use": "text-line", "unit": "in", "resolution": 0.0005, "rate": 20, "end": "cr"}
    p = load_profile(table)
    assert p.table == table
    assert p.scale.unit == "in"
    assert p.scale.step == Decimal("0.0005")
    assert p.period_s == 0.05
    assert p.values["baud"] == 9600


def test_the_recorded_table_gives_the_same_profile_again() -> None:
    first = load_profile({"places": 3, "checksum": "none"})
    assert first.table == {"use": "text-line", "places": 3, "checksum": "none"}
    assert load_profile(first.table) == first


def test_a_key_of_a_later_version_is_kept_in_a_header() -> None:
    p = load_profile({"use": "text-line", "hue": "warm"})
    assert p.table["hue"] == "warm"
    assert isinstance(p.decoder().feed(b"1.000\r\n")[0], Frame)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("unit", "cm"),
        ("unit", 1),
        ("resolution", 0),
        ("resolution", -0.001),
        ("resolution", "0.001"),
        ("resolution", True),
        ("resolution", float("nan")),
        ("resolution", float("inf")),
        ("resolution", Decimal("NaN")),
        ("resolution", Decimal("sNaN")),
        ("resolution", Decimal("Infinity")),
        ("rate", 0),
        ("rate", float("inf")),
        ("baud", 0),
        ("baud", 9600.5),
        ("baud", True),
        ("bytesize", 9),
        ("parity", "mark"),
        ("stopbits", 3),
        ("stopbits", True),
        ("stopbits", 1.5),
        ("lines", "on"),
        ("end", "\r\n"),
        ("pattern", "("),
        ("pattern", r"\d+"),
        ("pattern", r"(?P<value>\d){99999999999}"),
        ("pattern", 5),
        ("places", 7),
        ("places", -1),
        ("places", False),
        ("checksum", "crc"),
        ("poll", ""),
        ("poll", "x" * 65),
        ("poll", "\\x"),
        ("poll", "€"),
        ("interval", 0),
        ("interval", [1]),
    ],
)
def test_a_bad_value_is_refused(key: str, value: object) -> None:
    text = refused({"use": "text-line", key: value}, "stream.jsonl, line 1, profile")
    assert text.startswith(f"stream.jsonl, line 1, profile, {key}: given {value!r}; allowed: ")
    assert KEYS[key].allowed in text


@pytest.mark.parametrize("pattern", [None, r"(?P<value>\d+\.\d+)"])
def test_a_check_sum_that_the_pattern_does_not_find_is_refused(pattern: str | None) -> None:
    text = refused({"checksum": "sum-hex"} | ({} if pattern is None else {"pattern": pattern}))
    assert "checksum: given 'sum-hex'" in text
    assert "pattern" in text
    assert "sum" in text


@pytest.mark.parametrize("pattern", [r"(?P<value>\d+\.\d+)\*(?P<sum>..)"])
def test_a_check_sum_with_its_pattern_is_taken(pattern: str) -> None:
    load_profile({"checksum": "sum-hex", "pattern": pattern})


@pytest.mark.parametrize("use", [5, None, ["text-line"]])
def test_use_that_is_no_name(use: object) -> None:
    text = refused({"use": use})
    assert f"command line, use: given {use!r}; allowed: " in text
    assert "text-line" in text


def test_an_unknown_profile_gets_the_nearest_name_and_the_folder(own: Path) -> None:
    text = refused("text-lin")
    assert "command line, use: no profile 'text-lin'; allowed: text-line" in text
    assert str(own) in text
    assert "nearest valid name: text-line" in text


@pytest.mark.parametrize("name", ["../../etc/passwd", "a/b", "", ".", "x" * 65, "a b", "a\n"])
def test_a_name_cannot_leave_the_folder(own: Path, name: str) -> None:
    text = refused(name)
    assert f"given {name!r}" in text
    assert "letters, digits and hyphens" in text


# the user's own files


def test_an_own_profile_starts_from_a_packaged_one(own: Path) -> None:
    (own / "old-gauge.toml").write_text('use = "text-line"\nplaces = 3\nbaud = 4800\n', "utf-8")
    p = load_profile({"use": "old-gauge", "rate": 5})
    assert p.table == {"use": "old-gauge", "rate": 5}
    assert (p.values["places"], p.values["baud"], p.values["rate"], p.values["unit"]) == (3, 4800, 5, "mm")


def test_an_own_profile_with_an_unknown_key_gets_the_nearest(own: Path) -> None:
    (own / "mine.toml").write_text('use = "text-line"\nboud = 4800\n', "utf-8")
    text = refused("mine")
    assert f"{own / 'mine.toml'}, boud: unknown" in text
    assert "nearest valid name: baud" in text
    assert all(key in text for key in KEYS)


@pytest.mark.parametrize("base", ['"mine"', '"other"', "7"])
def test_an_own_profile_must_start_from_a_packaged_one(own: Path, base: str) -> None:
    (own / "mine.toml").write_text(f"use = {base}\n", "utf-8")
    (own / "other.toml").write_text('use = "text-line"\n', "utf-8")
    text = refused("mine")
    assert text.startswith(f"{own / 'mine.toml'}, use: given ")
    assert "one of text-line" in text


def test_a_bad_value_in_an_own_profile_names_its_file(own: Path) -> None:
    (own / "mine.toml").write_text('unit = "cm"\n', "utf-8")
    text = refused("mine")
    assert f'{own / "mine.toml"}, unit: given \'cm\'; allowed: "mm", "in"' in text


@pytest.mark.parametrize("content", [b"unit = \n", b"\xff\xfe", b'unit = "mm"\nunit = "in"\n'])
def test_a_file_that_is_no_toml_is_named(own: Path, content: bytes) -> None:
    (own / "mine.toml").write_bytes(content)
    assert str(own / "mine.toml") in refused("mine")


# numbers typed by the user


@pytest.mark.parametrize(("text", "value"), [("0.001", "0.001"), ("0,01", "0.01"), ("0.0005", "0.0005")])
def test_a_typed_step(text: str, value: str) -> None:
    assert parse_resolution(text) == Decimal(value)


@pytest.mark.parametrize("text", ["", "fine", "0.001mm", "0,0,1", "nan", "inf", "-0.001", "0"])
def test_a_typed_step_that_is_none(text: str) -> None:
    with pytest.raises(ProfileError) as e:
        parse_resolution(text)
    assert f"resolution: given {text!r}; allowed: a number" in str(e.value)
