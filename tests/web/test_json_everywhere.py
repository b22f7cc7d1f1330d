"""Every command that tells something tells it as data too."""

from __future__ import annotations

import click
import typer.main

from web.cli.main import app

ALWAYS = {"listen": "prints nothing but JSON lines", "serve": "tells it over HTTP", "demo": "tells it over HTTP"}


def commands(group: click.Command, path: tuple[str, ...] = ()) -> list[tuple[str, click.Command]]:
    """Commands that do something, by their words."""
    inner = getattr(group, "commands", None)
    if inner is None:
        return [(" ".join(path), group)]
    return [row for name, c in inner.items() for row in commands(c, (*path, name))]


def test_every_command_has_json() -> None:
    found = commands(typer.main.get_command(app))
    assert len(found) > 20
    without = [n for n, c in found if not any("--json" in getattr(p, "opts", ()) for p in c.params)]
    assert sorted(without) == sorted(ALWAYS)
