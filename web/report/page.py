"""A sheet as one self-contained page: no script runs in it and no request leaves it."""

from __future__ import annotations

import json
from importlib import resources

from web.report.model import Sheet
from web.report.seal import sealed


def render_page(sheet: Sheet) -> str:
    """The page, the same to the byte for the same sheet."""
    from jinja2 import Environment, StrictUndefined

    folder = resources.files("web.report")
    environment = Environment(autoescape=True, undefined=StrictUndefined, keep_trailing_newline=True)
    template = environment.from_string((folder / "sheet.html.j2").read_text("utf-8"))
    style = (folder / "sheet.css.j2").read_text("utf-8").rstrip()
    return sealed(template.render(sheet=sheet, style=style, record=_record(sheet)))


def _record(sheet: Sheet) -> str:
    """The record as text that cannot end the element it stands in."""
    text = json.dumps(sheet.record, ensure_ascii=True, indent=1)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
