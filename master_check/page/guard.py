"""Who is let in: only a page of this machine that knows the token, and no more than it may send.

Every program on this machine, and every page that its browser shows, can reach a port of it. So the address holds a
token that nobody can guess; the name in `Host` must be this machine's, or another name could be made to lead here; a
page from elsewhere is turned away by its `Origin`; and what comes in is bounded.
"""

import secrets
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any, Final

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

MOST_BYTES: Final = 1_000_000
"""Of a request; only a dropped file may be larger."""

MOST_FILE_BYTES: Final = 16 * 2**30
"""Of a dropped file: three hours of 5.1 at 192 kHz, 32 bit."""

UPLOAD: Final = "/files"

HEADERS: Final = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; style-src-attr 'unsafe-inline'; connect-src 'self'; "
        "img-src 'self'; worker-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cache-Control": "no-store",
}


class TooLarge(Exception):
    """More came in than may."""


class Guard:
    """Lets in what may come in, and says in every answer what the page may do.

    What the application reads ends with `TooLarge` where more comes than may.

    Parameters
    ----------
    app : ASGI application
        Sees paths without the token.
    token : str
        What the first part of every path must be.
    port : int
    """

    def __init__(self, app: App, token: str, port: int) -> None:
        self._app, self._token = app, token
        self._hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
            return
        if scope["type"] != "http":
            return
        headers = _headers(scope)
        status, why = self._refusal(scope, headers)
        if status:
            await _answer(send, status, why)
            return
        inside = dict(scope)
        inside["path"] = scope["path"][len(self._token) + 1 :] or "/"
        inside["raw_path"] = inside["path"].encode()
        most = MOST_FILE_BYTES if _uploads(inside) else MOST_BYTES

        async def sent(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                own = [(name.lower().encode(), value.encode()) for name, value in HEADERS.items()]
                message["headers"] = [*message.get("headers", ()), *own]
            await send(message)

        await self._app(inside, _bounded(receive, most), sent)

    def _refusal(self, scope: Scope, headers: dict[str, str]) -> tuple[int, str]:
        """A status and why; (0, "") where it may come in."""
        if headers.get("host", "") not in self._hosts:
            return 403, "served to this machine only"
        origin = headers.get("origin")
        known = {f"http://{host}" for host in self._hosts}
        changes = scope["method"] not in ("GET", "HEAD")
        if (origin is not None and origin not in known) or (changes and origin is None):
            return 403, "another page asked"
        if headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
            return 403, "another page asked"
        first = scope["path"].split("/", 2)[1] if scope["path"].startswith("/") else ""
        if not secrets.compare_digest(first.encode(), self._token.encode()):
            return 404, "no such page"
        length = headers.get("content-length", "0")
        inside = {"method": scope["method"], "path": scope["path"][len(self._token) + 1 :]}
        if not length.isdecimal() or len(length) > 18:
            return 400, "no length"
        if int(length) > (MOST_FILE_BYTES if _uploads(inside) else MOST_BYTES):
            return 413, "too large"
        return 0, ""


def _uploads(scope: Scope) -> bool:
    return bool(scope["method"] == "POST" and scope["path"] == UPLOAD)


def _headers(scope: Scope) -> dict[str, str]:
    """By name in small letters; of a name that is there twice, both, which then match nothing."""
    found: dict[str, str] = {}
    for name, value in scope["headers"]:
        key = name.decode("latin-1").lower()
        text = value.decode("latin-1")
        found[key] = f"{found[key]}, {text}" if key in found else text
    return found


def _bounded(receive: Receive, most: int) -> Receive:
    """The same, as long as no more than so many bytes come."""
    come = 0

    async def bounded() -> MutableMapping[str, Any]:
        nonlocal come
        message = await receive()
        come += len(message.get("body", b""))
        if come > most:
            raise TooLarge
        return message

    return bounded


async def _answer(send: Send, status: int, why: str) -> None:
    body = f"{why}\n".encode()
    own = [(name.lower().encode(), value.encode()) for name, value in HEADERS.items()]
    head = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(body)).encode()), *own]
    await send({"type": "http.response.start", "status": status, "headers": head})
    await send({"type": "http.response.body", "body": body})
