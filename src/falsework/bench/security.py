"""Who may talk to the bench: the right Host, the same Origin, a visitor's cookie; and what browsers may do.

Loopback alone keeps nobody out: any page in the user's browser can send requests there, and a name that
is made to point at 127.0.0.1 can read the answers. So the Host must be ours, writing needs our own Origin,
and every request the cookie that a one-time address gave, whether the bench is bound to loopback or not.
"""

from __future__ import annotations

import asyncio
import hashlib
import ipaddress
import math
import secrets
import time
from collections.abc import Callable, Iterable, Mapping
from http.cookies import CookieError, SimpleCookie
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, Response

from falsework.bench.answers import refusal

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

    from falsework.bench.sheets import Sheets

INVITATION_S = 15 * 60.0
COOKIE_AGE_S = 400 * 86400  # the longest that browsers keep one
BODY_BYTES = 2 << 20  # of everything but uploads
BODY_PATIENCE_S = 60.0  # for the next bytes of a body
BODY_S = 180.0  # for all of a body that is no file

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; font-src 'self'; "
    "connect-src 'self'; worker-src 'self'; manifest-src 'self'; frame-src 'self'; base-uri 'none'; "
    "form-action 'self'; frame-ancestors 'none'"
)
HEADERS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(self), geolocation=(), microphone=(), payment=(), usb=()",
    "x-frame-options": "DENY",
}
FRAMED = {"x-frame-options": "SAMEORIGIN"}
_LOOPBACK = ("localhost", "127.0.0.1", "[::1]")
_READING = ("GET", "HEAD")


class Sessions:
    """Knows the visitors. Secrets are kept as hashes; a visitor's name is the first letters of theirs."""

    def __init__(self, sheets: Sheets) -> None:
        self._sheets = sheets
        self._visitors = sheets.visitors()

    def invite(self, seconds: float = INVITATION_S) -> str:
        """A one-time token for the address of one more browser."""
        return new_invitation(self._sheets, seconds)

    def admit(self, token: str) -> str | None:
        """Use a token up for a new visitor's secret; None where it was used, is too old or never was."""
        if not self._sheets.take_invitation(_hashed(token)):
            return None
        secret = secrets.token_urlsafe(32)
        self._sheets.add_visitor(_hashed(secret))
        self._visitors.add(_hashed(secret))
        return secret

    def visitor(self, secret: str) -> str | None:
        """The visitor with that secret by a short name, None for a stranger."""
        hashed = _hashed(secret)
        return hashed[:12] if hashed in self._visitors else None


def new_invitation(sheets: Sheets, seconds: float = INVITATION_S) -> str:
    """A one-time token that lets one more browser into the bench of that database, running or not."""
    token = secrets.token_urlsafe(24)
    sheets.add_invitation(_hashed(token), time.time() + seconds)
    return token


def _hashed(secret: str) -> str:
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()


def cookie_name(port: int) -> str:
    """Cookies do not know ports: two benches on one machine need two names."""
    return f"falsework-bench-{port}"


class Hosts:
    """Which Host headers are ours: loopback's names; bound elsewhere also plain addresses and the given name.

    An attacker's name that points to this machine is no plain address, so those are safe. ``public`` is the
    address under which a server that speaks HTTPS passes requests on, '' for none.
    """

    def __init__(self, bound: str, port: int, names: Iterable[str] = (), public: str = "") -> None:
        self.port = port
        self.public = urlsplit(public).netloc.lower()
        self.loopback = bound in ("127.0.0.1", "::1", "localhost")
        self._names = {*_LOOPBACK, *(() if self.loopback else (bound.lower(), *map(str.lower, names)))}

    def knows(self, host: str) -> bool:
        if self.public and host.lower() == self.public:
            return True
        name, port = _split(host.lower())
        if port not in (self.port, None if self.port == 80 else self.port):
            return False
        return name in self._names or (not self.loopback and _is_address(name.strip("[]")))


def _split(host: str) -> tuple[str, int | None]:
    name, colon, port = host.rpartition(":")
    if not colon or port.endswith("]"):
        return host, None
    return name, int(port) if port.isascii() and port.isdecimal() and len(port) <= 5 else -1


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


class Guard:
    """Refuses what does not belong here before anything else sees it, and adds the headers to every answer.

    Sets ``scope['state']['visitor']`` for those who are let in. ``open_paths`` need no cookie.
    """

    def __init__(
        self,
        app: ASGIApp,
        hosts: Hosts,
        sessions: Sessions,
        open_paths: Iterable[str],
        limit: Callable[[str, str], int],
    ) -> None:
        self.app, self.hosts, self.sessions = app, hosts, sessions
        self._open, self._limit = frozenset(open_paths), limit

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        headers = {key.decode("latin-1"): value.decode("latin-1") for key, value in scope["headers"]}
        send = _with_headers(send)
        answer = self._refused(scope, headers)
        if answer is not None:
            await answer(scope, receive, send)
            return
        limit = self._limit(scope["method"], scope["path"])
        whole_s = BODY_S if limit <= BODY_BYTES else math.inf  # files have a time of their own
        length = headers.get("content-length", "")
        if length.isdecimal() and int(length) > limit:
            await refusal(413, "TooLarge", "request", f"more than {limit >> 20} MB", "Send less")(
                scope, receive, send
            )
            return
        if not length:  # nobody knows when it ends: what is refused is not waited for
            send = _hanging_up(send)
        await self.app(scope, _counted(receive, limit, whole_s), send)

    def _refused(self, scope: Scope, headers: Mapping[str, str]) -> ASGIApp | None:
        host = headers.get("host", "")
        if not self.hosts.knows(host):
            cure = "Open the address that 'falsework bench' printed"
            return refusal(403, "WrongHost", "address", "this is not the bench's own address", cure)
        writing = scope["method"] not in _READING
        origin = headers.get("origin")
        foreign = origin is not None and (
            urlsplit(origin).netloc.lower() not in {host.lower(), self.hosts.public or host.lower()}
            or not origin.startswith("http")
        )
        if headers.get("sec-fetch-site", "none") not in ("same-origin", "none") and (
            writing or scope["path"].startswith("/api/")
        ):
            foreign = True
        if foreign:
            return refusal(403, "WrongOrigin", "request", "another site sent it", "Use the bench's own page")
        visitor = self._visitor(headers)
        if visitor is None and scope["path"] not in self._open:
            if scope["path"].startswith("/api/"):
                cure = "Open the address that 'falsework bench' prints, or one that a colleague makes for you"
                return refusal(401, "NotSignedIn", "bench", "this browser has not been let in", cure)
            return stranger_page()
        scope.setdefault("state", {})["visitor"] = visitor or ""
        return None

    def _visitor(self, headers: Mapping[str, str]) -> str | None:
        try:
            cookies = SimpleCookie(headers.get("cookie", ""))
        except CookieError:
            return None
        found = cookies.get(cookie_name(self.hosts.port))
        return self.sessions.visitor(found.value) if found else None


class BodyTooLarge(HTTPException):
    """A body grew past its limit."""

    def __init__(self, limit: int) -> None:
        super().__init__(413, f"more than {limit >> 20} MB")


class TooSlow(HTTPException):
    """A body stopped coming."""

    def __init__(self) -> None:
        super().__init__(408, "the request stopped coming")


def _counted(receive: Receive, limit: int, whole_s: float) -> Receive:
    """``receive`` that raises ``BodyTooLarge`` when the body, whatever it announced, is longer than
    ``limit``, and ``TooSlow`` when nothing of it comes for ``BODY_PATIENCE_S``, or not all within
    ``whole_s``."""
    seen, whole = 0, False
    end = time.monotonic() + whole_s

    async def counting() -> Message:
        nonlocal seen, whole
        if whole:  # what comes now is the end of the connection, whenever that is
            return await receive()
        try:
            left = min(BODY_PATIENCE_S, end - time.monotonic())
            message = await asyncio.wait_for(receive(), max(0.0, left))
        except TimeoutError:
            raise TooSlow from None
        if message["type"] == "http.request":
            whole = not message.get("more_body", False)
            seen += len(message.get("body", b""))
            if seen > limit:
                raise BodyTooLarge(limit)
        return message

    return counting


def _hanging_up(send: Send) -> Send:
    """``send`` that ends the connection with an answer to a body that grew too large or stopped coming."""

    async def ending(message: Message) -> None:
        if message["type"] == "http.response.start" and message["status"] in (408, 413):
            message["headers"] = [*message["headers"], (b"connection", b"close")]
        await send(message)

    return ending


def _with_headers(send: Send) -> Send:
    async def adding(message: Message) -> None:
        if message["type"] == "http.response.start":
            given = {key for key, _ in message["headers"]}
            own = {"content-security-policy": POLICY, "cache-control": "no-store", **HEADERS}
            message["headers"] = [
                *message["headers"],
                *((key.encode(), value.encode()) for key, value in own.items() if key.encode() not in given),
            ]
        await send(message)

    return adding


def plain_page(title: str, text: str, link: tuple[str, str] | None, status: int) -> Response:
    """A page in the bench's look that needs no script: ``text`` is HTML, ``link`` an address and words."""
    onward = "" if link is None else f'<p><a href="{link[0]}">{link[1]}</a></p>'
    page = f"""<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<title>{title}: falsework bench</title>
<link rel="icon" href="/assets/icon.svg" type="image/svg+xml">
<link rel="stylesheet" href="/assets/css/base.css">
</head><body>
<header class="bar"><span class="mark-name">falsework</span></header>
<main class="empty">
<h1>{title}</h1>
<p>{text}</p>{onward}
</main></body></html>
"""
    return HTMLResponse(page, status)


def stranger_page() -> Response:
    """What a browser without the cookie sees: in the bench's look, with what of it a stranger may read."""
    text = """The bench opens with an address that is good for one browser and one time. This one has been
used, is too old, or is not complete.</p>
<p>On the machine where the bench runs, <code>falsework bench</code> prints a fresh one at any time, whether
the bench is running already or not. Or ask somebody who has the bench open to make one for you: the button
stands below the list of work orders. Then come back to this address."""
    return plain_page("This browser has not been let in", text, None, 401)
