"""What is checked of every request before a page sees it, and what every answer carries.

After OWASP ASVS 5.0 chapters 3 and 4: hosts and origins are a list, no script or style inside pages, nothing from
elsewhere, nothing kept by a cache.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Final
from urllib.parse import urlsplit

from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response

LARGEST_FORM_BYTES: Final = 256 * 1024
LARGEST_WORKBOOK_BYTES: Final = 10 * 1024 * 1024

_POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; font-src 'self'; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'; object-src 'none'"
)
_HEADERS: Final = {
    "Content-Security-Policy": _POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",  # with no-referrer a browser hides the origin of forms
    "X-Frame-Options": "DENY",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}
_THIS_MACHINE: Final = frozenset({"127.0.0.1", "localhost", "[::1]"})


def allowed_hosts(*names: str) -> frozenset[str]:
    """Names under which the server may be addressed: its own, and those of this machine."""
    return _THIS_MACHINE | {as_typed(one).casefold() for one in names}


def as_typed(host: str) -> str:
    """The host as it stands in an address."""
    return f"[{host}]" if ":" in host and not host.startswith("[") else host


def guard(
    hosts: frozenset[str], *, encrypted: bool
) -> Callable[[Request, Callable[[Request], Awaitable[Response]]], Awaitable[Response]]:
    """The middleware: refuses foreign hosts, origins and oversized bodies; adds the headers."""

    async def through(request: Request, further: Callable[[Request], Awaitable[Response]]) -> Response:
        problem = _problem(request, hosts)
        response = PlainTextResponse(problem[1] + "\n", problem[0]) if problem else await further(request)
        for name, value in _HEADERS.items():
            response.headers[name] = value
        if encrypted:
            response.headers["Strict-Transport-Security"] = "max-age=31536000"
        response.headers.setdefault("Cache-Control", "no-store")
        return response

    return through


def _problem(request: Request, hosts: frozenset[str]) -> tuple[int, str] | None:
    if _name_of(request.headers.get("host", "")) not in hosts:
        return 400, "This server is not addressed by that name."
    if request.method in ("GET", "HEAD"):
        return None
    origin = request.headers.get("origin")
    if origin is not None and urlsplit(origin).netloc != request.headers.get("host"):
        return 403, "This form came from another site; nothing was done."
    if request.headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
        return 403, "This form came from another site; nothing was done."
    length = request.headers.get("content-length", "")
    if not length.isdecimal():
        return 411, "The length of what was sent is missing; nothing was done."
    if int(length) > (LARGEST_WORKBOOK_BYTES if request.url.path == "/workbook" else LARGEST_FORM_BYTES):
        return 413, "That is too much for one form; nothing was done."
    return None


def _name_of(host: str) -> str:
    """The host without its port."""
    head, colon, port = host.rpartition(":")
    name = head if colon and port.isdecimal() else host
    return name.casefold()
