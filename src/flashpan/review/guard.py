"""Who may ask, and what a browser may do with the answer.

The page shows what is on this machine's disks and can have them written to, so that a page of
somebody else's, open in the same browser, must get nothing from it:

* the server listens on this machine only, unless told otherwise;
* whoever asks has a token, which only the address that was printed carries; the first answer turns
  it into a cookie that no script reads and no other site's request brings along;
* the name that was asked for (``Host``) is the server's own, so that no other name can be made to
  lead here (DNS rebinding);
* where the browser says which page asked (``Origin``, ``Sec-Fetch-Site``), it is this one; what
  changes anything must say so, and must be JSON, which no plain form can send;
* the answer forbids the browser whatever the page has no need of (Content Security Policy).
"""

from __future__ import annotations

import secrets
from collections.abc import Awaitable, Callable, Iterable, MutableMapping
from http.cookies import CookieError, SimpleCookie
from ipaddress import ip_address
from typing import Any
from urllib.parse import parse_qs

from flashpan.errors import UsageError

Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Message, Receive, Send], Awaitable[None]]

LEAST_TOKEN_CHARS = 16
MOST_BODY_BYTES = 64 * 1024
_READING = frozenset({"GET", "HEAD"})
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self';"
    " connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
_HEADERS = {
    "content-security-policy": _POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
    "cache-control": "no-store",
}


def new_token() -> str:
    """A token that nobody guesses: 256 bits."""
    return secrets.token_urlsafe(32)


def checked_token(host: str, token: str | None) -> str:
    """The token to be used: a new one, or the one given; exposing needs one that was given.

    Raises
    ------
    UsageError
        The host is not this machine alone and no token was given, or it is too short.
    """
    if token is None:
        if not is_loopback(host):
            raise UsageError(
                f"--host {host}: others could reach the night; give --token, of"
                f" {LEAST_TOKEN_CHARS} characters or more, that only they know"
            )
        return new_token()
    if len(token) < LEAST_TOKEN_CHARS or not token.isascii() or not token.isprintable():
        raise UsageError(
            f"--token: give {LEAST_TOKEN_CHARS} or more plain characters, such as {new_token()}"
        )
    return token


def is_loopback(host: str) -> bool:
    """Whether an address is this machine for itself."""
    if host == "localhost":
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False


def refuse_wildcard(host: str) -> None:
    """Refuse an address that stands for all of the machine's.

    Raises
    ------
    UsageError
        Then nobody could say which name a request must have asked for.
    """
    try:
        is_wildcard = ip_address(host).is_unspecified
    except ValueError:
        is_wildcard = not host
    if is_wildcard:
        raise UsageError(f"--host {host}: give the one address that the others use")


def names_of(host: str, port: int) -> frozenset[str]:
    """What ``Host`` may be."""
    names = {host}
    if is_loopback(host):
        names |= {"127.0.0.1", "localhost", "::1"}
    with_port = {f"[{name}]:{port}" if ":" in name else f"{name}:{port}" for name in names}
    return frozenset(with_port)


class Guard:
    """Stands before an application; see the module's text.

    Parameters
    ----------
    app : ASGI application
    token : str
    names : iterable of str
        What ``Host`` may be, port included.
    cookie : str
        Name of the cookie; other servers of this machine have others.
    """

    def __init__(self, app: App, *, token: str, names: Iterable[str], cookie: str) -> None:
        self._app, self._token, self._cookie = app, token, cookie
        self._names = frozenset(names)

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":  # no web sockets here
            return
        headers = _headers(scope)
        refused = self._refusal(scope, headers)
        if refused is not None:
            await _answer(send, *refused)
        elif self._brings_token(scope):
            await self._welcome(send)
        else:
            await self._app(scope, receive, _with_headers(send))

    def _refusal(
        self, scope: Message, headers: dict[str, list[str]]
    ) -> tuple[int, str, dict[str, str]] | None:
        """Status and text, where a request is refused."""
        hosts = headers.get("host", [])
        if len(hosts) != 1 or hosts[0].lower() not in self._names:
            return 421, "This name does not lead here.", {}
        if not self._is_known(scope, headers):
            return 403, "Open the address that flashpan review printed; it has the token.", {}
        reads = scope["method"] in _READING
        if not _is_of_this_page(headers, hosts[0], reads):
            return 403, "Another page asked.", {}
        if not reads and scope["method"] != "POST":
            return 405, "There is only GET and POST.", {"allow": "GET, HEAD, POST"}
        if not reads and headers.get("content-type", [""])[0].split(";")[0] != "application/json":
            return 415, "Changes are JSON.", {}
        if _length(headers) > MOST_BODY_BYTES:
            return 413, "Too long.", {}
        return None

    def _is_known(self, scope: Message, headers: dict[str, list[str]]) -> bool:
        return self._brings_token(scope) or any(
            secrets.compare_digest(value.encode(), self._token.encode())
            for value in _cookies(headers, self._cookie)
        )

    def _brings_token(self, scope: Message) -> bool:
        """Whether this is the address that was printed."""
        if scope["path"] != "/" or scope["method"] != "GET":
            return False
        query = parse_qs(scope.get("query_string", b"").decode("latin-1"))
        given = query.get("token", [""])
        return len(given) == 1 and secrets.compare_digest(given[0].encode(), self._token.encode())

    async def _welcome(self, send: Send) -> None:
        """Turn the token into a cookie, and take it out of the address."""
        cookie = f"{self._cookie}={self._token}; Path=/; HttpOnly; SameSite=Strict"
        await _answer(send, 303, "", {"location": "/", "set-cookie": cookie})


def _is_of_this_page(headers: dict[str, list[str]], host: str, reads: bool) -> bool:
    """Whether the browser says that this page asked; where it says nothing, reading is let be."""
    origins = headers.get("origin", [])
    if origins and origins != [f"http://{host}"]:
        return False
    site = headers.get("sec-fetch-site", [""])[0]
    if reads:
        return site in ("", "none", "same-origin") or _is_link(headers)
    return bool(origins) and site in ("", "same-origin")


def _is_link(headers: dict[str, list[str]]) -> bool:
    """A link that was followed, from wherever: it shows the page, and tells its site nothing."""
    return headers.get("sec-fetch-mode") == ["navigate"] and headers.get("sec-fetch-dest") == [
        "document"
    ]


def _headers(scope: Message) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for name, value in scope["headers"]:
        found.setdefault(name.decode("latin-1").lower(), []).append(value.decode("latin-1"))
    return found


def _cookies(headers: dict[str, list[str]], name: str) -> list[str]:
    values = []
    for line in headers.get("cookie", []):
        try:
            morsel = SimpleCookie(line).get(name)
        except CookieError:
            continue
        if morsel is not None:
            values.append(morsel.value)
    return values


def _length(headers: dict[str, list[str]]) -> int:
    """What a body says of its length; one that says nothing, or nonsense, is too long."""
    if "transfer-encoding" in headers:
        return MOST_BODY_BYTES + 1
    lengths = headers.get("content-length", ["0"])
    plain = len(lengths) == 1 and lengths[0].isascii() and lengths[0].isdigit()
    return int(lengths[0]) if plain else MOST_BODY_BYTES + 1


def _with_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            there = {name.lower() for name, _ in message["headers"]}
            more = [
                (name.encode(), value.encode())
                for name, value in _HEADERS.items()
                if name.encode() not in there
            ]
            message = {**message, "headers": [*message["headers"], *more]}
        await send(message)

    return sending


async def _answer(send: Send, status: int, text: str, more: dict[str, str]) -> None:
    headers = {"content-type": "text/plain; charset=utf-8", **more}
    start = {
        "type": "http.response.start",
        "status": status,
        "headers": [(name.encode(), value.encode()) for name, value in headers.items()],
    }
    sending = _with_headers(send)
    await sending(start)
    await sending({"type": "http.response.body", "body": text.encode()})
