"""A set-up from nested tables, or everything that is wrong with them."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel, ValidationError

from analysis.setup.problems import SetupError, SetupProblem
from analysis.setup.whole import Setup
from analysis.telling import shown

_ALLOWED = {
    "greater_than": "a number above 0",
    "greater_than_equal": "a number not below {ge}",
    "less_than_equal": "a number not above {le}",
    "less_than": "a number below {lt}",
    "bool_type": "true or false",
    "missing": "this key must be given",
    "model_type": "a table of keys",
    "tuple_type": "a list",
    "int_type": "a whole number",
    "string_type": "text in quotes",
    "dict_type": "a table of keys",
}


def parse_setup(data: Mapping[str, object]) -> Setup:
    """Read a set-up from nested tables, as a TOML reader gives them.

    Parameters
    ----------
    data : mapping
        Sections of the set-up; lengths as numbers (`Decimal` keeps them exact).

    Raises
    ------
    SetupError
        With every problem found: key, what was given, what is allowed, nearest valid name.
    """
    try:
        return Setup.model_validate(data)
    except ValidationError as e:
        problems: list[SetupProblem] = []
        for error in e.errors():
            problems.extend(_problem(error, data))
        seen: dict[tuple[str, str], SetupProblem] = {}
        for p in problems:
            seen.setdefault((p.key, p.given), p)
        raise SetupError(list(seen.values())) from None


def _problem(error: Any, data: Mapping[str, object]) -> list[SetupProblem]:
    path = [p for p in error["loc"] if p != "function-before" and not str(p).startswith("function-")]
    key = ".".join(str(p + 1) if isinstance(p, int) else str(p) for p in path)
    kind, context = error["type"], error.get("ctx", {})
    given = shown(error["input"])
    if kind == "extra_forbidden":
        names = _names_at(path[:-1])
        near = difflib.get_close_matches(str(path[-1]), names, 1, 0.5)
        return [SetupProblem(key, given, "one of " + ", ".join(names), near[0] if near else None)]
    if kind == "value_error":
        text = str(context.get("error", ""))
        if text.count("|") >= 2:
            name, got, allowed = text.split("|", 2)
            return [SetupProblem(f"{key}.{name}" if key else name, got, allowed)]
        return [SetupProblem(key, given, text)]
    if kind == "literal_error":
        return [SetupProblem(key, given, str(context["expected"]).replace("'", '"'))]
    if kind == "missing":
        return [SetupProblem(key, "nothing", _ALLOWED["missing"])]
    return [SetupProblem(key, given, _ALLOWED.get(kind, error["msg"]).format(**context))]


def _names_at(path: list[object]) -> list[str]:
    """Valid names in the section at `path`."""
    model: type[BaseModel] = Setup
    for part in path:
        if isinstance(part, int):
            continue
        info = model.model_fields.get(str(part))
        if info is None:
            return []
        inner = _model_in(info.annotation)
        if inner is None:
            return []
        model = inner
    return [info.alias or name for name, info in model.model_fields.items()]


def _model_in(annotation: object) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for arg in getattr(annotation, "__args__", ()):
        found = _model_in(arg)
        if found is not None:
            return found
    return None
