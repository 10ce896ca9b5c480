"""What keeps other pages, other computers and other users out: the host's name, the key, the origin of every write, a
strict content policy.

A page of another site may try to reach a server on this computer. It cannot name it by another host name
(the Host header is checked, which also ends DNS rebinding), cannot write (the Origin or Sec-Fetch-Site header
must be ours), cannot frame it, and no script or style but our own files runs in our pages. Another user of this computer
reaches the port but does not know the key (access.py).
"""

from __future__ import annotations

from collections.abc import Iterable

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from .access import Access, holds_key, without_key

CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": CONTENT_POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "X-Frame-Options": "DENY",
    "Cache-Control": "no-store",
}
_READS = ("GET", "HEAD")
_NO_KEY = (
    "this programme is open to the person who started trimshot, and this visit came without the key or with a used one"
)
_GET_KEY = (
    "open the whole address, with its key, that `trimshot serve` printed in the terminal; a program sends the key as the "
    "header Authorization: Bearer KEY"
)


def loopback_hosts(port: int) -> frozenset[str]:
    """Host headers a browser on this computer sends for a port."""
    return frozenset(f"{name}:{port}" for name in ("127.0.0.1", "localhost", "[::1]"))


class Protection:
    """Refuses foreign hosts, strangers and foreign writes; puts the policy on every answer."""

    def __init__(self, app: ASGIApp, hosts: Iterable[str], access: Access) -> None:
        self._app = app
        self._hosts = frozenset(hosts)
        self._access = access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_with_policy(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        answer = self._answer(scope, Headers(scope=scope)) or self._app
        await answer(scope, receive, send_with_policy)

    def _answer(self, scope: Scope, headers: Headers) -> Response | None:
        """What is answered before any page is asked: a refusal, or the cookie for who comes with the key."""
        method, query = scope["method"], scope["query_string"].decode("latin-1")
        if headers.get("host", "") not in self._hosts:
            return PlainTextResponse("this server answers on this computer's own address only\n", status_code=403)
        known = self._access.is_known(headers)
        if method == "GET" and holds_key(query) and (known or self._access.takes(query)):
            address = without_key(scope["raw_path"].decode("latin-1"), query)
            return RedirectResponse(address, status_code=303, headers={"set-cookie": self._access.cookie()})
        if not known:
            return _turn_away(query)
        refusal = None if method in _READS else _foreign_write(headers)
        return None if refusal is None else PlainTextResponse(refusal + "\n", status_code=403)


def _turn_away(query: str) -> Response:
    """What a browser or program without the key is told: as text, or as a page's script reads errors."""
    if "format=json" in query:
        return JSONResponse({"status": 403, "what": _NO_KEY, "do": _GET_KEY}, status_code=403)
    return PlainTextResponse(f"{_NO_KEY}.\n\nWhat to do: {_GET_KEY}.\n", status_code=403)


def _foreign_write(headers: Headers) -> str | None:
    """Why a write is refused, None when it comes from our own page."""
    origin, site = headers.get("origin"), headers.get("sec-fetch-site")
    if origin is not None and origin != f"http://{headers.get('host', '')}":
        return "a write from another page is refused"
    if site not in (None, "same-origin"):
        return "a write from another site is refused"
    if origin is None and site is None:
        return "a write must say which page it comes from"
    return None
