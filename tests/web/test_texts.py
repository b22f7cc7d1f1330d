"""The catalogue: which language a browser is given, what a shop's own file may lack or get wrong, and that the texts are whole."""

from __future__ import annotations

import logging
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from web import texts
from web.texts import catalogues, language_for

ROOT = Path(__file__).parents[2]
PLURALS = {"zero", "one", "two", "few", "many", "other"}


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """The folder for a shop's own translations, read anew."""
    monkeypatch.setattr(texts, "user_folder", lambda: tmp_path)
    catalogues.cache_clear()
    yield tmp_path
    catalogues.cache_clear()


def _write(folder: Path, name: str, text: str) -> None:
    (folder / name).write_text(text, "utf-8")
    catalogues.cache_clear()


# RFC 9110, 12.5.4 and 12.4.2: quality values, their order, q=0 for "not acceptable", case of no matter; lookup after RFC 4647, 3.4.
@pytest.mark.parametrize(
    ("accepted", "language"),
    [
        ("", "en"),
        ("de", "de"),
        ("DE", "de"),
        ("de-CH", "de"),
        ("de-AT-1996", "de"),
        ("pt-BR", "pt-br"),
        ("pt", "en"),
        ("da, en-gb;q=0.8, en;q=0.7", "en"),
        ("en;q=0.5, de", "de"),
        ("de;q=0.5, en", "en"),
        ("de;q=0.5, pt-br;q=0.9", "pt-br"),
        ("de;q=0, en", "en"),
        ("de;q=0", "en"),
        ("de;q=0.000, pt-BR;q=0.001", "pt-br"),
        ("de;q=1.000", "de"),
        ("fr, de;q=0.3", "de"),
        ("de , en;q=0.1", "de"),
        ("de ;q=0.4,pt-br; q=0.5", "pt-br"),
        ("*", "en"),
        ("fr, *;q=0.1", "en"),
        ("de;q=much, pt-br;q=0.1", "pt-br"),
        (";;;,,,", "en"),
        ("x" * 9000, "en"),
        ("-", "en"),
    ],
)
def test_the_language_of_a_browser(shop: Path, accepted: str, language: str) -> None:
    _write(shop, "de.toml", '[link]\non = "Verbunden"\n')
    _write(shop, "pt-BR.toml", '[link]\non = "Conectado"\n')
    assert language_for(accepted) == language


def test_what_a_translation_lacks_is_said_in_english(shop: Path) -> None:
    _write(shop, "de.toml", '[link]\non = "Verbunden"\n')
    de, en = catalogues()["de"], catalogues()["en"]
    assert de["link"]["on"] == "Verbunden"
    assert de["link"]["lost"] == en["link"]["lost"]
    assert de["sweep"] == en["sweep"]
    assert en["link"]["on"] == "Connected"


def test_a_translation_may_have_other_plural_forms(shop: Path) -> None:
    _write(shop, "pl.toml", '[now.sweep]\none = "a"\nfew = "b"\nmany = "c"\n[link]\non = { one = "d", other = "e" }\n')
    pl = catalogues()["pl"]
    assert pl["now"]["sweep"] == {"one": "a", "few": "b", "many": "c"}
    assert pl["link"]["on"] == {"one": "d", "other": "e"}


@pytest.mark.parametrize(
    "broken",
    [b"[link\n", b"\xff\xfe", b'link = "no table"\n', b'[link]\non = "a"\non = "b"\n', b""],
)
def test_a_broken_file_costs_no_other_language_and_no_page(
    shop: Path, broken: bytes, caplog: pytest.LogCaptureFixture
) -> None:
    _write(shop, "de.toml", '[link]\non = "Verbunden"\n')
    (shop / "fr.toml").write_bytes(broken)
    (shop / "notes.txt").write_text("no catalogue", "utf-8")
    catalogues.cache_clear()
    with caplog.at_level(logging.WARNING):
        found = catalogues()
    assert found["de"]["link"]["on"] == "Verbunden"
    assert found["en"]["link"]["on"] == "Connected"
    assert "notes" not in found
    if "fr" in found:
        assert found["fr"]["link"]["on"] == "Connected"
    else:
        assert "fr.toml is not used" in caplog.text


def test_a_folder_in_place_of_a_file_is_passed_over(shop: Path, caplog: pytest.LogCaptureFixture) -> None:
    (shop / "de.toml").mkdir()
    catalogues.cache_clear()
    with caplog.at_level(logging.WARNING):
        assert "de" not in catalogues()
    assert "de.toml is not used" in caplog.text


def test_a_text_nobody_asks_for_is_told(shop: Path, caplog: pytest.LogCaptureFixture) -> None:
    _write(shop, "de.toml", '[link]\nonn = "Verbunden"\n')
    with caplog.at_level(logging.WARNING):
        de = catalogues()["de"]
    assert "link.onn: no such text" in caplog.text
    assert "onn" not in de["link"]


def test_a_shop_may_put_english_in_its_own_words(shop: Path) -> None:
    _write(shop, "en.toml", '[link]\non = "Indicator is there"\n')
    assert catalogues()["en"]["link"]["on"] == "Indicator is there"
    assert catalogues()["en"]["link"]["lost"] == "Indicator not connected"


def test_a_byte_order_mark_is_no_harm(shop: Path) -> None:
    (shop / "de.toml").write_bytes(b"\xef\xbb\xbf" + b'[link]\non = "Verbunden"\n')
    catalogues.cache_clear()
    assert catalogues()["de"]["link"]["on"] == "Verbunden"


def _texts(table: dict[str, Any], path: str = "") -> Iterator[tuple[str, Any]]:
    for key, value in table.items():
        if isinstance(value, dict) and not set(value) <= PLURALS:
            yield from _texts(value, f"{path}{key}.")
        else:
            yield path + key, value


def test_no_table_stands_in_two_files() -> None:
    """One would silently hide the other."""
    where: dict[str, str] = {}
    for file in sorted((ROOT / "web" / "texts" / "en").glob("*.toml")):
        for table in tomllib.loads(file.read_text("utf-8")):
            assert table not in where, f"[{table}] stands in {where.get(table)} and {file.name}"
            where[table] = file.name


def test_plural_forms_have_one_for_all_other_numbers() -> None:
    for path, value in _texts(catalogues()["en"]):
        if isinstance(value, dict):
            assert "other" in value, path


USED = re.compile(r"""\bsay\(\s*["']([\w.-]+)["']""")


@pytest.mark.parametrize("script", sorted(p.name for p in (ROOT / "web" / "static").glob("*.js")))
def test_every_text_a_script_asks_for_is_there(script: str) -> None:
    known = dict(_texts(catalogues()["en"]))
    for path in USED.findall((ROOT / "web" / "static" / script).read_text("utf-8")):
        assert path in known, f"{script} says {path}"
