"""The words of the pages, in one place: a folder a language, a TOML file a page; ``en`` is the one all others fall back to.

A shop's own translation is a file ``<language>.toml`` in the user's configuration folder, ``shimwright/texts``; what it lacks is said
in English.  A value is a text with ``{names}`` in it, or a table by plural form (``one``, ``other``, …) of the number ``{n}``.
Sentences that carry a result (the shim, the advice of a rejected sweep) are composed where the result is, in `analysis`.
"""

from __future__ import annotations

import logging
import tomllib
from collections.abc import Iterator, Mapping
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

ENGLISH = "en"
_log = logging.getLogger("shimwright.texts")


class Words(dict[str, Any]):
    """A table of a catalogue; a name it lacks is an error, not an empty place on the page."""

    def __getattr__(self, name: str) -> Any:
        try:
            return self[name]
        except KeyError:
            raise AttributeError(f"no text {name!r} in the catalogue") from None


def user_folder() -> Path:
    """Where a shop puts its own translations."""
    from platformdirs import user_config_path

    return user_config_path("shimwright") / "texts"


def _read(text: str) -> dict[str, Any]:
    return tomllib.loads(text)


def _packaged() -> Iterator[tuple[str, dict[str, Any]]]:
    for folder in resources.files("web.texts").iterdir():
        if folder.is_dir() and not folder.name.startswith("_"):
            whole: dict[str, Any] = {}
            for item in folder.iterdir():
                whole.update(_read(item.read_text("utf-8")))
            yield folder.name.lower(), whole


def _over(base: Mapping[str, Any], other: Mapping[str, Any], where: str) -> Words:
    out = Words()
    for key, value in base.items():
        given = other.get(key)
        # A text may become a table of plural forms and back: languages differ in that.
        plural = isinstance(value, dict) and set(value) <= {"zero", "one", "two", "few", "many", "other"}
        if isinstance(value, dict) and not plural:
            out[key] = _over(value, given if isinstance(given, dict) else {}, f"{where}{key}.")
        else:
            out[key] = value if given is None else given
    for key in other.keys() - base.keys():
        _log.warning("%s%s: no such text; it is not used", where, key)
    return out


@lru_cache(maxsize=1)
def catalogues() -> dict[str, Words]:
    """All languages there are, by their tag in small letters; each whole, with English where nothing else is said."""
    found = dict(_packaged())
    english = found[ENGLISH]
    folder = user_folder()
    for file in sorted(folder.glob("*.toml")) if folder.is_dir() else []:
        try:
            found[file.stem.lower()] = {**found.get(file.stem.lower(), {}), **_read(file.read_text("utf-8-sig"))}
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as e:
            _log.warning("%s is not used: %s", file, e)
    return {name: _over(english, own, "") for name, own in found.items()}


def language_for(accepted: str) -> str:
    """The best language there is for an ``Accept-Language`` header (RFC 9110, 12.5.4)."""
    wanted: list[tuple[float, int, str]] = []
    for n, part in enumerate(accepted.split(",")):
        tag, _, quality = part.strip().partition(";")
        try:
            q = float(quality.strip().removeprefix("q=")) if quality else 1.0
        except ValueError:
            continue
        if tag and 0.0 < q <= 1.0:
            wanted.append((-q, n, tag.strip().lower()))
    there = catalogues()
    for _, _, tag in sorted(wanted):
        while tag:
            if tag in there:
                return tag
            tag = tag.rpartition("-")[0]
    return ENGLISH
