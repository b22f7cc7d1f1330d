"""The table of routes as an OpenAPI 3.1 document."""

from __future__ import annotations

from functools import lru_cache
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import models_json_schema

from web.api_doc.refusals import Refused, RefusedFields
from web.api_doc.routes import ROUTES, WHY, Route

_ABOUT = (
    "The page's own interface, for a shop's scripts and displays. It answers this machine, and over the network paired devices; what changes "
    "something is refused where another site's page asks for it. It informs; a competent person decides."
)


@lru_cache(maxsize=1)
def document() -> dict[str, Any]:
    """The document; the same object each time, not to be changed."""
    models = {m for r in ROUTES for m in r.gives.values() if isinstance(m, type)} | {Refused, RefusedFields}
    ordered = sorted(models, key=lambda m: m.__name__)
    _, schemas = models_json_schema(
        [(m, "serialization") for m in ordered], ref_template="#/components/schemas/{model}"
    )
    paths: dict[str, dict[str, Any]] = {}
    for r in ROUTES:
        paths.setdefault(r.path, {})[r.method] = _operation(r)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "shimwright",
            "version": _version(),
            "description": _ABOUT,
            "license": {"name": "MIT", "identifier": "MIT"},
        },
        "paths": paths,
        "components": {"schemas": schemas.get("$defs", {})},
    }


def _version() -> str:
    try:
        return version("shimwright")
    except PackageNotFoundError:
        return "0"


def _operation(r: Route) -> dict[str, Any]:
    """One method of a path."""
    out: dict[str, Any] = {"summary": r.say, "operationId": _id(r), "responses": _answers(r)}
    parameters = [{"name": n, "in": "path", "required": True, "schema": _place(r, n)} for n in _places(r.path)] + [
        {"name": n, "in": "query", "schema": s} for n, s in r.query.items()
    ]
    if parameters:
        out["parameters"] = parameters
    if r.takes is not None:
        body: dict[str, Any] = {"type": "object", "properties": dict(r.takes)}
        if r.needs:
            body["required"] = list(r.needs)
        out["requestBody"] = {"required": True, "content": {"application/json": {"schema": body}}}
    elif r.raw:
        out["requestBody"] = {"required": True, "content": {media: {} for media in r.raw}}
    return out


def _id(r: Route) -> str:
    words = "".join(c if c.isalnum() else " " for c in r.path.removeprefix("/api/")).split()
    return "-".join((r.method, *words))


def _places(path: str) -> list[str]:
    return [part.partition("}")[0] for part in path.split("{")[1:]]


def _place(r: Route, name: str) -> dict[str, Any]:
    if r.path.startswith("/api/figures"):
        return {"enum": ["minima", "drift", "budget", "stock", "sweep"]}
    return {"type": "string", "minLength": 1}


def _answers(r: Route) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for status, what in r.gives.items():
        answer: dict[str, Any] = {"description": _described(what)}
        if isinstance(what, str):
            answer["content"] = {what: {}}
        elif what is not None:
            answer["content"] = {"application/json": {"schema": _ref(what)}}
        out[str(status)] = answer
    refuses = {*r.refuses, 403, 422} if r.takes is not None or r.raw else {*r.refuses, 403}
    for status in sorted(refuses):
        shape = RefusedFields if status in (422, 500, 507) else Refused
        out[str(status)] = {"description": WHY[status], "content": {"application/json": {"schema": _ref(shape)}}}
    return out


def _described(what: type[BaseModel] | str | None) -> str:
    if what is None:
        return "done"
    return what if isinstance(what, str) else (what.__doc__ or what.__name__).strip().partition("\n")[0]


def _ref(model: type[BaseModel]) -> dict[str, str]:
    return {"$ref": f"#/components/schemas/{model.__name__}"}
