"""A bad profile is refused with the place, the key, what was given and what is allowed."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from capture.decoders import Frame
from capture.doctor import machine
from capture.errors import ProfileError
from capture.profiles import (
    KEYS,
    check_names,
    known_profiles,
    load_profile,
    packaged_names,
    parse_resolution,
    user_folder,
)


@pytest.fixture
def own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty folder for the user's own profiles."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    folder = user_folder()
    folder.mkdir(parents=True)
    return folder


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
        ("end", "nl"),
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
    assert p.table == {"use": "text-line", "places": 3, "baud": 4800, "rate": 5}
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


def test_a_recording_made_with_an_own_profile_needs_no_file_beside_it(own: Path) -> None:
    (own / "old-gauge.toml").write_text('use = "text-line"\nplaces = 3\nbaud = 4800\n', "utf-8")
    recorded = load_profile({"use": "old-gauge", "baud": 2400})
    assert recorded.table == {"use": "text-line", "places": 3, "baud": 2400}
    assert (recorded.name, recorded.kind) == ("old-gauge", "text-line")
    (own / "old-gauge.toml").unlink()
    again = load_profile(recorded.table)
    assert again.values == recorded.values
    assert [again.decoder().feed(b"-1234\r\n")] == [recorded.decoder().feed(b"-1234\r\n")]


@pytest.mark.parametrize("pattern", ["[[]value](?P<value>.*)", "(?P<value>[0-9--.]+)", "(?P<value>[0-9&&8]+)"])
def test_a_pattern_that_a_later_python_may_read_in_another_way_is_refused(pattern: str) -> None:
    text = refused({"use": "text-line", "pattern": pattern})
    assert "pattern: given" in text
    assert "no [[" in text


# profiles of installed packages


@pytest.fixture
def install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    """Puts a package with its metadata where Python looks for installed ones."""
    names: list[str] = []

    def put(package: str, points: str, version: str = "1.2", code: str = "", **files: str) -> None:
        site = tmp_path / f"site-{package}"
        info = site / f"{package.replace('-', '_')}-{version}.dist-info"
        info.mkdir(parents=True)
        (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {package}\nVersion: {version}\n", "utf-8")
        (info / "RECORD").write_text("", "utf-8")
        (info / "entry_points.txt").write_text(f"[shimwright.profiles]\n{points}\n", "utf-8")
        folder = site / package.replace("-", "_")
        folder.mkdir()
        (folder / "__init__.py").write_text(code, "utf-8")
        for name, text in files.items():
            (folder / f"{name.replace('_', '-')}.toml").write_text(text, "utf-8")
        names.append(folder.name)
        monkeypatch.syspath_prepend(str(site))

    yield put
    for name in names:
        sys.modules.pop(name, None)


CORNER = 'use = "text-line"\nunit = "in"\nresolution = 0.0005\npoll = "\\\\r"\n'


def test_an_installed_package_brings_profiles(own: Path, install: Any) -> None:
    install("bench-corner", "all = bench_corner", corner_gauge=CORNER)
    p = load_profile({"use": "corner-gauge", "rate": 20})
    assert (p.scale.unit, p.scale.step, p.kind) == ("in", Decimal("0.0005"), "text-line")
    assert p.table == {"use": "text-line", "unit": "in", "resolution": 0.0005, "poll": "\\r", "rate": 20}
    assert ("corner-gauge", "bench-corner 1.2") in known_profiles()
    assert "profile corner-gauge, from bench-corner 1.2" in [f.what for f in machine.profiles()]
    # What the user wrote comes first, and doctor says so.
    (own / "corner-gauge.toml").write_text('unit = "mm"\n', "utf-8")
    assert load_profile("corner-gauge").scale.unit == "mm"
    assert ("corner-gauge", "your own") in known_profiles()
    assert any("yours of that name comes first" in f.what for f in machine.profiles())


def test_the_command_takes_a_profile_of_an_installed_package(own: Path, install: Any, tmp_path: Path) -> None:
    install("bench-corner", "all = bench_corner", corner_gauge=CORNER)
    path = os.pathsep.join([str(tmp_path / "site-bench-corner"), os.environ.get("PYTHONPATH", "")])
    done = subprocess.run(
        [sys.executable, "-c", "from web.cli.main import run; run()", "listen", "typed", "--profile", "corner-gauge"],
        input="0.1235\n",
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": path},
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout.splitlines()[-1])["counts"] == 247


def test_two_packages_that_bring_the_same_profile_are_both_named(own: Path, install: Any) -> None:
    install("bench-corner", "all = bench_corner", corner_gauge=CORNER)
    install("bench-other", "all = bench_other", corner_gauge=CORNER)
    text = refused("corner-gauge")
    assert "bench-corner 1.2 and bench-other 1.2 both bring" in text
    assert str(own / "corner-gauge.toml") in text


@pytest.mark.parametrize(
    ("points", "code", "files", "say"),
    [
        ("all = bench_nowhere", "", {}, "must name a package that holds *.toml files (ModuleNotFoundError"),
        ("all = bench_bad", "1/0", {"mine": CORNER}, "(ZeroDivisionError: division by zero)"),
        ("all = bench_bad", "", {}, "holds no *.toml file"),
        ("all = bench_bad:thing", "", {"mine": CORNER}, "must name a package that holds *.toml files"),
        ("all = bench_bad", "", {"text_line": CORNER}, "text-line.toml of bench-bad 1.2 cannot be used"),
    ],
)
def test_a_package_that_brings_nothing_usable_is_named_and_holds_up_nothing(
    own: Path, install: Any, points: str, code: str, files: dict[str, str], say: str
) -> None:
    install("bench-bad", points, code=code, **files)
    text = refused("missing")
    assert "no profile 'missing'" in text
    assert say in text
    assert "bench-bad 1.2" in text
    assert load_profile("text-line").kind == "text-line"
    assert [n for n, _ in known_profiles()] == packaged_names()
    wrong = [f for f in machine.profiles() if f.state == "wrong"]
    assert len(wrong) == 1
    assert say in wrong[0].what
    assert wrong[0].cure


@pytest.mark.parametrize(
    ("content", "say"),
    [
        ("boud = 4800\n", "boud: unknown"),
        ('unit = "cm"\n', "unit: given 'cm'"),
        ('use = "missing"\n', "use: given 'missing'; allowed: a packaged profile"),
        ("use = \n", "Invalid value"),
    ],
)
def test_a_bad_profile_of_a_package_names_its_file_and_package(own: Path, install: Any, content: str, say: str) -> None:
    install("bench-bad", "all = bench_bad", mine=content)
    text = refused("mine")
    assert text.startswith("mine.toml of bench-bad 1.2")
    assert say in text
