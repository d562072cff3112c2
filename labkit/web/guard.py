"""What stands before every answer: headers that let nothing in from outside, and limits."""

from __future__ import annotations

from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

#: Nothing is loaded, sent or framed but from here; no script or style stands within a page.
POLICY = "; ".join((
    "default-src 'none'", "script-src 'self'", "style-src 'self'", "img-src 'self' data:",
    "font-src 'self'", "connect-src 'self'", "form-action 'self'", "frame-src 'self'",
    "frame-ancestors 'none'", "base-uri 'none'",
))
#: A paper stands within a page; the browser's own reader of PDF styles itself.
POLICY_OF_A_PAPER = (
    "default-src 'none'; object-src 'self'; style-src 'unsafe-inline'; frame-ancestors 'self'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "geolocation=(), microphone=(), payment=(), usb=()",
    "Cache-Control": "no-store",
}
#: What a browser may send at once, bytes: forms, tables and prescriptions.
MOST_BYTES = 1_000_000
#: Beginning of an address → more than that, for the scan of a rod.
MOST_BYTES_OF = {"/scan/": 100_000_000}


class Guard:
    """Adds the headers, and turns away what is too big or asks for another host.

    Args:
        hosts: Names under which the workplace is reached; None where accounts protect it.
    """

    def __init__(self, app: ASGIApp, hosts: frozenset[str] | None = None) -> None:
        self._app, self._hosts = app, hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        most = next(
            (most for path, most in MOST_BYTES_OF.items() if scope["path"].startswith(path)),
            MOST_BYTES,
        )
        refusal = self._refusal(Headers(scope=scope), scope["method"], most)
        if refusal is not None:
            await refusal(scope, receive, _with_headers(send))
            return
        await self._app(scope, receive, _with_headers(send))

    def _refusal(
        self, headers: Headers, method: str, most: int = MOST_BYTES
    ) -> PlainTextResponse | None:
        host = _host_of(headers)
        if host is None or (self._hosts is not None and host not in self._hosts):
            return PlainTextResponse("This workplace is not reached under that name.\n", 421)
        if "transfer-encoding" in headers:
            return PlainTextResponse("State how many bytes are sent (Content-Length).\n", 411)
        length = headers.get("content-length", "0")
        if not (length.isascii() and length.isdigit()) or int(length) > most:
            return PlainTextResponse(f"At most {most} bytes can be sent at once.\n", 413)
        if method not in ("GET", "HEAD") and not _from_here(headers):
            return PlainTextResponse("Forms are taken from this workplace's own pages only.\n", 403)
        return None


def _host_of(headers: Headers) -> str | None:
    """Give the name under which the workplace is asked for; None where it cannot be read."""
    try:
        return urlsplit(f"//{headers.get('host', '')}").hostname or ""
    except ValueError:  # a bracket that is not closed
        return None


def _from_here(headers: Headers) -> bool:
    """Tell whether a form was sent by a page of ours, as far as the browser says."""
    site, origin = headers.get("sec-fetch-site"), headers.get("origin")
    if site is not None and site not in ("same-origin", "none"):
        return False
    return origin is None or origin.partition("://")[2] == headers.get("host")


def _with_headers(send: Send) -> Send:
    async def adding(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers.setdefault(name, value)
        await send(message)

    return adding
