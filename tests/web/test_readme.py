"""README and DEVELOPERS say what is there: commands, options, keys, files, places of headings."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path
from typing import Any, get_args

import pytest
import typer.main
from pydantic import BaseModel

from analysis.results import Reason
from analysis.setup import Setup
from capture.profiles.keys import KEYS
from web.cli.main import app

ROOT = Path(__file__).parents[2]
README, DEVELOPERS = ((ROOT / n).read_text("utf-8") for n in ("README.md", "DEVELOPERS.md"))


def blocks(text: str) -> list[str]:
    """Lines of the code blocks."""
    return [line for block in re.findall(r"^```\n(.*?)^```", text, flags=re.S | re.M) for line in block.splitlines()]


COMMANDS = [x.partition(" #")[0].split() for x in blocks(README) if x.startswith("shimwright ")]


@pytest.mark.parametrize("words", COMMANDS, ids=lambda w: " ".join(w[1:3]))
def test_a_command_is_there_with_its_options(words: list[str]) -> None:
    command: Any = typer.main.get_command(app)
    rest = words[1:]
    while hasattr(command, "commands"):
        assert rest[0] in command.commands, words
        command = command.commands[rest.pop(0)]
    known = {o for p in command.params for o in getattr(p, "opts", ())}
    assert {w for w in rest if w.startswith("-")} <= known


def test_every_command_is_in_the_readme() -> None:
    group: Any = typer.main.get_command(app)
    assert set(group.commands) - {"demo"} <= {w[1] for w in COMMANDS}
    assert "shimwright demo" in README
    for name in group.commands["job"].commands:
        assert re.search(rf"job {name}\b|`?\b{name}\b", README), name


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_a_link_leads_somewhere(text: str) -> None:
    headings = {
        re.sub(r"[^\w\- ]", "", h.lower()).replace(" ", "-") for h in re.findall(r"^#+ (.*)$", text, flags=re.M)
    }
    targets = re.findall(r"\]\(([^)]+)\)", text)
    assert targets or text is DEVELOPERS
    for target in targets:
        assert target[1:] in headings if target.startswith("#") else (ROOT / target).exists(), target


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_a_file_or_module_that_is_named_is_there(text: str) -> None:
    for path in re.findall(r"`((?:web|capture|analysis|tests|recorded_streams)/[\w./-]*)`", text):
        assert (ROOT / path).exists() or "NAME" in path or "found" in path or "r0" in path, path
    for module in re.findall(r"python -m (tests[\w.]*)", text):
        assert importlib.util.find_spec(module) is not None, module


def test_the_tree_of_modules_is_there() -> None:
    (tree,) = (b for b in re.findall(r"^```\n(.*?)^```", DEVELOPERS, flags=re.S | re.M) if b.startswith("capture/"))
    top = inner = ""
    for line in tree.splitlines():
        names = re.match(r"( *)([\w/]+(?:, [\w/]+)*)(?:  |$)", line)
        assert names is not None, line
        for name in names[2].split(", "):
            if not names[1]:
                top = name
                continue
            if len(names[1]) == 2:
                inner = name
            places = [top, f"{top}{inner}/"] if len(names[1]) == 2 else [f"{top}{inner}/"]
            assert any((ROOT / p / (name if name.endswith("/") else f"{name}.py")).exists() for p in places), line


def rows(section: str) -> list[list[str]]:
    """Cells of the table in a section of the README."""
    body = README.partition(f"### {section}\n")[2].partition("\n### ")[0]
    return [[c.strip() for c in re.split(r"(?<!\\)\|", r)[1:-1]] for r in re.findall(r"^\|.*$", body, flags=re.M)][2:]


def test_every_key_of_a_profile_is_told_and_no_other() -> None:
    told = {k for row in rows("The indicator: profiles") for k in re.findall(r"`(\w+)`", row[0])}
    assert told == {*KEYS, "use"}


def test_every_key_of_the_set_up_is_told_and_no_other() -> None:
    table = {re.findall(r"\[(\w+)\]", row[0])[0]: row[1] for row in rows("The unit: set-up file")}
    assert {*table, "units"} == set(Setup.model_fields)
    for section, said in table.items():
        if section == "preload":
            continue  # told in words
        annotation = Setup.model_fields[section].annotation
        model = next(m for m in (annotation, *get_args(annotation)) if isinstance(m, type) and issubclass(m, BaseModel))
        keys = {f.alias or name for name, f in model.model_fields.items()}
        named = {x for code in re.findall(r"`([^`]*)`", said) for x in re.findall(r"\w+", code)}
        assert keys <= named, (section, keys - named)
        assert {k for k in re.findall(r"`(\w+)`(?! or `\"| \()", said) if k.islower()} <= keys | named


def test_the_reasons_of_a_rejected_sweep_are_told() -> None:
    told = README.partition("A sweep is **accepted**")[2].partition(". Rejected")[0]
    assert set(re.findall(r"`([\w-]+)`", told)) == set(get_args(Reason))
