"""The pages: templates with the words of a catalogue put in, and the same words as a module for the page's scripts."""

from __future__ import annotations

import json
from functools import lru_cache
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import Response
from jinja2 import Environment, PackageLoader, StrictUndefined

from web.texts import catalogues, language_for

_HEADERS = {"vary": "accept-language", "cache-control": "no-cache"}


@lru_cache(maxsize=1)
def _templates() -> Environment:
    return Environment(
        loader=PackageLoader("web", "pages"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


@lru_cache(maxsize=64)
def _page(name: str, language: str) -> bytes:
    t = catalogues()[language]
    return _templates().get_template(name).render(t=t, language=language).encode("utf-8")


@lru_cache(maxsize=16)
def _module(language: str) -> bytes:
    texts = json.dumps(catalogues()[language], ensure_ascii=False)
    return f"export const language = {json.dumps(language)};\nexport const texts = {texts};\n".encode()


def page(request: Request, name: str) -> Response:
    """The template ``name`` in the browser's language."""
    language = language_for(request.headers.get("accept-language", ""))
    return Response(_page(name, language), media_type="text/html; charset=utf-8", headers=_HEADERS)


def pages_router(pages: dict[str, str]) -> APIRouter:
    """Routes for pages that need nothing but their template, and ``/texts.js``.

    Parameters
    ----------
    pages : dict
        Path to template, such as ``{"/": "sweep.html"}``.
    """
    router = APIRouter(include_in_schema=False)

    def add(path: str, name: str) -> None:
        @router.api_route(path, methods=["GET", "HEAD"])
        def shown(request: Request) -> Any:
            return page(request, name)

    for path, name in pages.items():
        add(path, name)

    @router.get("/texts.js")
    def texts(request: Request) -> Response:
        language = language_for(request.headers.get("accept-language", ""))
        return Response(_module(language), media_type="text/javascript; charset=utf-8", headers=_HEADERS)

    return router
