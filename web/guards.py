"""Who is let in: plain ASGI, no state.

The page is for this machine or this shop.  A browser that carries another site's page may neither read nor command.
"""

from __future__ import annotations

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from web.addresses import is_loopback

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "manifest-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}
SAFE = {"GET", "HEAD", "OPTIONS"}


class SameOriginOnly:
    """Refuses commands that another site's page sends, and adds the security headers to every answer."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on, or answer 403."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        # A browser takes the opener policy from encrypted or loopback pages only, and complains of it on all others.
        secure = scope.get("scheme") == "https" or is_loopback(host_name(Headers(scope=scope)))

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                if not secure:
                    del headers["cross-origin-opener-policy"]
                headers.setdefault("cache-control", "no-cache")
            await send(message)

        if scope["method"] not in SAFE and not _same_origin(Headers(scope=scope)):
            body = (
                b'{"detail":"This request came from another site and was refused. Use the page this program serves."}'
            )
            start = {
                "type": "http.response.start",
                "status": 403,
                "headers": [(b"content-type", b"application/json"), (b"content-length", str(len(body)).encode())],
            }
            await with_headers(start)
            await with_headers({"type": "http.response.body", "body": body})
            return

        await self._app(scope, receive, with_headers)


def host_name(headers: Headers) -> str:
    """The name or address a request was meant for, without its port."""
    host = headers.get("host", "").lower()
    return host.partition("]")[0].removeprefix("[") if host.startswith("[") else host.partition(":")[0]


def _same_origin(headers: Headers) -> bool:
    site = headers.get("sec-fetch-site")
    if site is not None and site not in ("same-origin", "none"):
        return False
    origin = headers.get("origin")
    if origin is None:
        return True
    return origin.partition("://")[2].lower() == headers.get("host", "").lower()
