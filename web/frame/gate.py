"""Who may talk to the station, and what every reply carries. It fails closed: what is not known is refused.

A page on some other site, open in a browser of the shop, must neither read this station (a name that was made to
point here, so Host is checked) nor move it (so a change needs a header and a content type that no foreign page can
send without asking first, and an Origin that is this very page's).
"""

import ipaddress
import logging
import re
import socket
from collections.abc import Iterable
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from station.learning.condition import MAX_BYTES
from web.frame.problem import Problem, of_status, reply

log = logging.getLogger(__name__)

HEADER = "X-Tallypan"
LARGEST_BODY = 64 * 1024
LARGEST_FILE = 2 * 1024 * 1024
FILE = "/api/catalogue/import"
"""The one change that carries a file, as text within its JSON: a fleet's list of compartments."""
PHOTO = re.compile(r"/api/jobs/[^/]+/photo")
"""The one address that takes a picture instead of JSON. No foreign page can send that type without asking either."""
PHOTO_KINDS = ("image/jpeg", "image/png")

SECURITY_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'; object-src 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}


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
    """ASGI middleware, outermost. hosts: names and addresses allowed beside the machine's own."""

    def __init__(self, app: ASGIApp, hosts: Iterable[str] = ()) -> None:
        self.app = app
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
                "Unknown name",
                "This station does not answer to that name. Use its address, or add the name to its configuration.",
            )
        if scope["method"] in ("GET", "HEAD"):
            return None
        if scope["method"] != "POST":
            return of_status(405)
        origins = headers.getlist("origin")
        if origins and not self._same_origin(origins, host or ""):
            return Problem(403, "Foreign page", "Changes are taken from the station's own pages only.")
        if headers.get(HEADER) != "1":
            return Problem(403, "Header missing", f"A change needs the header {HEADER}: 1.")
        kind = headers.get("content-type", "").split(";")[0].strip().lower()
        photo = PHOTO.fullmatch(scope["path"]) is not None
        if photo and kind not in PHOTO_KINDS:
            return Problem(415, "No photo", "A photo is sent as JPEG or PNG. Take it as one of these.")
        if not photo and kind != "application/json":
            return Problem(415, "Not JSON", "A change is sent as JSON, with Content-Type: application/json.")
        length = headers.get("content-length", "")
        if not length.isdecimal():
            return Problem(411, "Length missing", "A change needs a Content-Length.")
        largest = MAX_BYTES if photo else LARGEST_FILE if scope["path"] == FILE else LARGEST_BODY
        if int(length) > largest:
            what = "photo" if photo else "change"
            return Problem(413, "Too long", f"A {what} may have {largest} bytes at most.")
        return None

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
                for name, value in SECURITY_HEADERS.items():
                    headers[name] = value
                # Static files may be kept but are asked about each time: an updated station is never half old.
                static = scope["path"].startswith("/static/")
                headers.setdefault("Cache-Control", "no-cache" if static else "no-store")
            await send(message)

        refused = self.refusal(scope, Headers(scope=scope))
        if refused is not None:
            await reply(scope, refused)(scope, receive, send_with_headers)
            return
        try:
            await self.app(scope, receive, send_with_headers)
        except Exception:
            log.exception("%s %s failed", scope["method"], scope["path"])
            if started:
                raise
            await reply(scope, of_status(500))(scope, receive, send_with_headers)
