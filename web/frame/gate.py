"""Who may talk to the station, and what every reply carries. It fails closed: what is not known is refused.

A page on some other site, open in a browser of the shop, must neither read this station (a name that was made to
point here, so Host is checked) nor move it (so a change needs a header and a content type that no foreign page can
send without asking first, and an Origin that is this very page's). A browser that says itself for whom it asks
(Sec-Fetch-Site, of W3C's Fetch Metadata Request Headers) is taken at its word.

A body's length is stated before it comes, and counted as it comes; so many bytes of long ones are taken in at a time.
"""

import ipaddress
import logging
import re
import socket
from collections.abc import Iterable
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from station.common.words import _
from station.learning.condition import MAX_BYTES
from web.frame.problem import Crowded, Problem, of_status, reply

log = logging.getLogger(__name__)

HEADER = "X-Tallypan"
LARGEST_BODY = 64 * 1024
LARGEST_FILE = 2 * 1024 * 1024
LARGEST_BATCH = 16 * 1024 * 1024
"""A file that was imported at a bay is one entry of its record, some four times as long with the names of its columns and the
quotes of two JSONs; it goes up beside the entry before it."""
LONG_BODIES = 4 * MAX_BYTES
"""Bytes of bodies longer than ``LARGEST_BODY`` that are on their way at a time: four photos. What stops a pump is short."""
LONG_AGAIN_S = 2
"""Whoever is sent away for that comes again after so long."""
FILE = "/api/catalogue/import"
"""The one change that carries a file, as text within its JSON: a fleet's list of compartments."""
BATCH = "/api/bays/take"
"""The one change that a bay sends to the roll-up: entries of its record."""
PHOTO = re.compile(r"/api/jobs/[^/]+/photo")
"""The one address that takes a picture instead of JSON. No foreign page can send that type without asking either."""
PHOTO_KINDS = ("image/jpeg", "image/png")

SECURITY_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "base-uri 'none'; form-action 'self'; frame-ancestors 'none'; object-src 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}

TLS_HEADERS = {"Strict-Transport-Security": "max-age=31536000"}


def machine_names() -> set[str]:
    """Names under which this machine is usually found on its own network."""
    name = socket.gethostname().lower()
    return {name, f"{name}.local"} if name else set()


def _split_host(host: str) -> tuple[str, str]:
    """``name:port`` → name and port, both "" where the text is no host at all."""
    try:
        parts = urlsplit(f"//{host}")
        name, port = parts.hostname or "", parts.port
    except ValueError:
        return "", ""
    if parts.path or parts.query or parts.fragment or parts.username is not None or host != host.strip():
        return "", ""
    return name.lower(), "" if port is None else str(port)


def _address(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    try:
        address = ipaddress.ip_address(text)
    except ValueError:
        return None
    mapped = getattr(address, "ipv4_mapped", None)
    return mapped or address


class Gate:
    """ASGI middleware, outermost. hosts: names and addresses allowed beside the machine's own. secure: browsers
    reach it under TLS, and are told never to come without."""

    def __init__(self, app: ASGIApp, hosts: Iterable[str] = (), secure: bool = False) -> None:
        self.app = app
        self.long_bodies = 0
        self.headers = {**SECURITY_HEADERS, **(TLS_HEADERS if secure else {})}
        self.names = {"localhost", "127.0.0.1", "::1"} | machine_names()
        self.names |= {name for name in (_split_host(host)[0] for host in hosts) if name}
        # A wildcard is where the station listens, not a name that anybody may call it by.
        self.names -= {"0.0.0.0", "::"}

    def known_host(self, host: str | None, scope: Scope) -> bool:
        """Whether a Host header names this station: an allowed name, or the address the request arrived at."""
        name, _ = _split_host(host or "")
        if not name:
            return False
        if name in self.names:
            return True
        address, server = _address(name), scope.get("server")
        return address is not None and server is not None and address == _address(str(server[0]))

    def refusal(self, scope: Scope, headers: Headers) -> Problem | None:
        """Why a request is turned away; None when it may pass."""
        hosts = headers.getlist("host")
        host = hosts[0] if len(hosts) == 1 else None
        if not self.known_host(host, scope):
            return Problem(
                421,
                _("Unknown name"),
                _(
                    "This station does not answer to that name. Use its address, or add the name to its configuration."
                ),
            )
        foreign = Problem(403, _("Foreign page"), _("Changes are taken from the station's own pages only."))
        site = headers.get("sec-fetch-site", "none")
        if scope["method"] in ("GET", "HEAD"):
            # Another site may link to a page of ours, which opens it as a page of its own, and nothing else.
            linked = (
                headers.get("sec-fetch-mode") == "navigate" and headers.get("sec-fetch-dest") == "document"
            )
            if site == "cross-site" and not linked:
                return Problem(
                    403, _("Foreign page"), _("Another site's page may link to this station, not read it.")
                )
            if headers.get("content-length", "0") != "0" or "transfer-encoding" in headers:
                return Problem(413, _("No body here"), _("A page is asked for without a body."))
            return None
        if scope["method"] != "POST":
            return of_status(405)
        if site not in ("same-origin", "none"):
            return foreign
        origins = headers.getlist("origin")
        if origins and not self._same_origin(origins, host or ""):
            return foreign
        if headers.get(HEADER) != "1":
            return Problem(
                403, _("Header missing"), _("A change needs the header {header}: 1.").format(header=HEADER)
            )
        kind = headers.get("content-type", "").split(";")[0].strip().lower()
        photo = PHOTO.fullmatch(scope["path"]) is not None
        if photo and kind not in PHOTO_KINDS:
            return Problem(415, _("No photo"), _("A photo is sent as JPEG or PNG. Take it as one of these."))
        if not photo and kind != "application/json":
            return Problem(
                415, _("Not JSON"), _("A change is sent as JSON, with Content-Type: application/json.")
            )
        length = headers.get("content-length", "")
        if not re.fullmatch("[0-9]{1,12}", length) or "transfer-encoding" in headers:
            return Problem(
                411,
                _("Length missing"),
                _("A change needs a Content-Length, and comes whole, without Transfer-Encoding."),
            )
        if int(length) > self.largest_body(scope["path"]):
            return self.too_long(scope["path"])
        if int(length) > LARGEST_BODY and self.long_bodies + int(length) > LONG_BODIES:
            return Crowded(
                503,
                _("Busy with photos"),
                _("Other photos or files are being taken in. Send it again."),
                LONG_AGAIN_S,
            )
        return None

    @staticmethod
    def largest_body(path: str) -> int:
        """How many bytes a change at this address may have."""
        if PHOTO.fullmatch(path):
            return MAX_BYTES
        return {FILE: LARGEST_FILE, BATCH: LARGEST_BATCH}.get(path, LARGEST_BODY)

    @classmethod
    def too_long(cls, path: str) -> Problem:
        what = _("A photo") if PHOTO.fullmatch(path) else _("A change")
        return Problem(
            413,
            _("Too long"),
            _("{what} may have {n} bytes at most.").format(what=what, n=cls.largest_body(path)),
        )

    @staticmethod
    def _same_origin(origins: list[str], host: str) -> bool:
        """Whether the page that sends is one of ours: same name and same port as it talks to."""
        scheme, separator, rest = origins[0].partition("://")
        if len(origins) != 1 or not separator or scheme not in ("http", "https"):
            return False
        return _split_host(rest) == _split_host(host) != ("", "")

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
            return
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        started = False

        async def send_with_headers(message: Message) -> None:
            nonlocal started
            if message["type"] == "http.response.start":
                started = True
                headers = MutableHeaders(scope=message)
                for name, value in self.headers.items():
                    headers[name] = value
                # Static files may be kept but are asked about each time: an updated station is never half old.
                static = scope["path"].startswith("/static/")
                headers.setdefault("Cache-Control", "no-cache" if static else "no-store")
            await send(message)

        headers = Headers(scope=scope)
        refused = self.refusal(scope, headers)
        if refused is not None:
            await reply(scope, refused)(scope, receive, send_with_headers)
            return
        most = self.largest_body(scope["path"]) if scope["method"] == "POST" else 0
        came = 0

        async def receive_counted() -> Message:
            """What the headers said of a body's length is held against what comes."""
            nonlocal came
            message = await receive()
            came += len(message.get("body", b""))
            if came > most:
                raise HTTPException(413)
            return message

        long = int(headers.get("content-length", 0)) if most > LARGEST_BODY else 0
        self.long_bodies += long
        try:
            await self.app(scope, receive_counted, send_with_headers)
        except ClientDisconnect:
            log.info("%s %s: gone before it was answered", scope["method"], scope["path"])
        except HTTPException as error:  # more came than was stated, before anybody inside had looked
            await reply(scope, of_status(error.status_code))(scope, receive, send_with_headers)
        except Exception:
            log.exception("%s %s failed", scope["method"], scope["path"])
            if started:
                raise
            await reply(scope, of_status(500))(scope, receive, send_with_headers)
        finally:
            self.long_bodies -= long
