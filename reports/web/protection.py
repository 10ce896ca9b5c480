"""What keeps other pages and other computers out: the host's name, the origin of every write, a strict content policy.

A page of another site may try to reach a server on this computer. It cannot name it by another host name
(the Host header is checked, which also ends DNS rebinding), cannot write (the Origin or Sec-Fetch-Site header
must be ours), cannot frame it, and no script or style but our own files runs in our pages.
"""

from __future__ import annotations

from collections.abc import Iterable

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

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


def loopback_hosts(port: int) -> frozenset[str]:
    """Host headers a browser on this computer sends for a port."""
    return frozenset(f"{name}:{port}" for name in ("127.0.0.1", "localhost", "[::1]"))


class Protection:
    """Refuses foreign hosts and foreign writes; puts the policy on every answer."""

    def __init__(self, app: ASGIApp, hosts: Iterable[str]) -> None:
        self._app = app
        self._hosts = frozenset(hosts)

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

        refusal = self._refusal(scope["method"], Headers(scope=scope))
        if refusal is None:
            await self._app(scope, receive, send_with_policy)
        else:
            await PlainTextResponse(refusal + "\n", status_code=403)(scope, receive, send_with_policy)

    def _refusal(self, method: str, headers: Headers) -> str | None:
        """Why a request is refused, None when it is not."""
        host = headers.get("host", "")
        if host not in self._hosts:
            return "this server answers on this computer's own address only"
        if method in _READS:
            return None
        origin, site = headers.get("origin"), headers.get("sec-fetch-site")
        if origin is not None and origin != f"http://{host}":
            return "a write from another page is refused"
        if site not in (None, "same-origin"):
            return "a write from another site is refused"
        if origin is None and site is None:
            return "a write must say which page it comes from"
        return None
