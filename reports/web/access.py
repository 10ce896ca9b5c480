"""Who may open the pages: a key made anew at every start, known to whoever sees the terminal and to the browser it opened.

A port of this computer can be reached by every user of this computer. The key is told in the address the terminal prints;
a browser that comes with it keeps it as a cookie no script reads and no other site sends. The browser opened for the user
gets another key, good for one visit, because the list of processes shows every user the addresses programs are started
with. A cookie does not know ports: the browser sends it to any server of this computer it visits under the same name.
"""

from __future__ import annotations

import hmac
import secrets
import threading
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qsl, urlencode

from starlette.datastructures import Headers

PARAMETER = "key"


class Access:
    """The keys of one server; its port names the cookie, so that two servers do not overwrite each other's."""

    def __init__(self, port: int) -> None:
        self.key = secrets.token_urlsafe(24)
        self._cookie = f"trimshot-{port}"
        self._single: set[str] = set()
        self._lock = threading.Lock()

    def make_single(self) -> str:
        """A key good for one visit: the first that comes with it gets the cookie."""
        key = secrets.token_urlsafe(24)
        with self._lock:
            self._single.add(key)
        return key

    def is_known(self, headers: Headers) -> bool:
        """Whether a request holds the key, as cookie or as `Authorization: Bearer KEY`."""
        scheme, _, bearer = headers.get("authorization", "").partition(" ")
        return self._is_key(_cookie_in(headers, self._cookie)) or (
            scheme.lower() == "bearer" and self._is_key(bearer.strip())
        )

    def takes(self, query: str) -> bool:
        """Whether an address's query holds the key or an unused single one, which is used up by this."""
        given = dict(parse_qsl(query)).get(PARAMETER, "")
        with self._lock:
            if given in self._single:
                self._single.remove(given)
                return True
        return self._is_key(given)

    def cookie(self) -> str:
        """The header that hands a browser the key until it is closed."""
        return f"{self._cookie}={self.key}; Path=/; HttpOnly; SameSite=Strict"

    def _is_key(self, given: str) -> bool:
        return hmac.compare_digest(given.encode(), self.key.encode())


def holds_key(query: str) -> bool:
    """Whether an address's query names a key at all."""
    return any(name == PARAMETER for name, _ in parse_qsl(query, keep_blank_values=True))


def without_key(path: str, query: str) -> str:
    """The address on this server without its key: what stands in the browser's bar afterwards."""
    kept = urlencode([(name, value) for name, value in parse_qsl(query, keep_blank_values=True) if name != PARAMETER])
    return "/" + path.lstrip("/\\") + (f"?{kept}" if kept else "")


def _cookie_in(headers: Headers, name: str) -> str:
    for line in headers.getlist("cookie"):
        try:
            found = SimpleCookie(line).get(name)
        except CookieError:
            continue
        if found is not None:
            return found.value
    return ""
