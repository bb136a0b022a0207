"""Who comes in: the session that a request shows, held against the table of roles. It stands behind the gate.

What no rule names is refused. What a person may do is decided here alone; pages and actions ask nothing more.
"""

import logging
from collections.abc import Mapping, Sequence
from typing import Annotated
from urllib.parse import quote

from fastapi import Depends, Request
from starlette.requests import HTTPConnection
from starlette.responses import RedirectResponse, Response
from starlette.routing import BaseRoute, Match, Route
from starlette.types import ASGIApp, Receive, Scope, Send

from station.common.words import N_, _
from station.errors import StationError
from station.people.access import Access, SignedIn
from station.people.people import Role
from station.people.sessions import Session
from station.record.author import BY
from web.frame.problem import Problem, SecretWanted, reply, said, wants_page
from web.frame.render import BEHIND, MAY, NOBODYS, Behind
from web.frame.roles import ROLE_NAMES, RULES, THE_ROLE, Rule

log = logging.getLogger(__name__)

TOKEN, DEVICE = "tallypan", "tallypan-device"
DEVICE_S = 400 * 24 * 3600
"""Browsers keep no cookie longer (from memory)."""
STATIC = "/static/"
SIGN_IN = Problem(401, N_("Sign in first"), N_("Sign in on the page Sign in, then do it again."))
ENTER_AGAIN = SecretWanted(
    401,
    N_("Enter your secret again"),
    N_(
        "Enter your PIN or passphrase once more: this changes what later figures rest on, or who may do what."
    ),
)


def cookie_name(name: str, secure: bool) -> str:
    """Under TLS with the prefix that keeps other hosts of the same domain from setting it (RFC 6265bis, from memory)."""
    return f"__Host-{name}" if secure else name


def _shown(connection: HTTPConnection, name: str, secure: bool) -> str | None:
    return connection.cookies.get(cookie_name(name, secure))


def the_access(request: Request) -> Access:
    access: Access = request.app.state.access
    return access


def the_session(request: Request) -> Session | None:
    session: Session | None = request.state.session
    return session


TheAccess = Annotated[Access, Depends(the_access)]
TheSession = Annotated[Session | None, Depends(the_session)]


def shown(request: Request) -> tuple[str | None, str | None]:
    """The token and the device's sign that a browser shows."""
    secure: bool = request.app.state.secure
    return _shown(request, TOKEN, secure), _shown(request, DEVICE, secure)


def let_in(request: Request, response: Response, signed: SignedIn) -> Response:
    """Give the browser what it shows from now on. No script can read it, no other site's page sends it along."""
    secure: bool = request.app.state.secure
    for name, value, keep_s in ((TOKEN, signed.token, None), (DEVICE, signed.device, DEVICE_S)):
        if value:
            response.set_cookie(
                cookie_name(name, secure),
                value,
                max_age=keep_s,
                path="/",
                secure=secure,
                httponly=True,
                samesite="strict",
            )
    return response


def let_out(request: Request, response: Response) -> Response:
    secure: bool = request.app.state.secure
    response.delete_cookie(
        cookie_name(TOKEN, secure), path="/", secure=secure, httponly=True, samesite="strict"
    )
    return response


class Door:
    """ASGI middleware behind the gate. routes: those of the application, in its own order. secure:
    browsers reach it under TLS. behind: the bay whose pages these are. rules: who may do what."""

    def __init__(
        self,
        app: ASGIApp,
        access: Access,
        routes: Sequence[BaseRoute],
        secure: bool,
        behind: Behind = NOBODYS,
        rules: Mapping[str, Rule] = RULES,
    ) -> None:
        self.app, self.access, self.routes, self.secure = app, access, routes, secure
        self.behind, self.rules = behind, rules

    def rule(self, scope: Scope) -> tuple[str, Rule | None] | None:
        """The address that a request goes to, as its route is written, and its rule; None where it goes nowhere."""
        if scope["path"].startswith(STATIC):
            return "GET /static", self.rules.get("GET /static")
        for route in self.routes:
            if isinstance(route, Route) and route.matches(scope)[0] is Match.FULL:
                address = f"{scope['method']} {route.path}"
                return address, self.rules.get(address)
        return None

    def refusal(self, address: str, rule: Rule | None, session: Session | None) -> Problem | None:
        """Why somebody may not; None where they may."""
        if rule is None:
            return Problem(403, _("Not allowed"), _("Nobody may do this: the station has no rule for it."))
        if rule.roles is None or (self.access.open and session is None):
            return None
        if session is None:
            return said(SIGN_IN)
        role = session.person.role
        if role not in rule.roles:
            may = _(" or ").join(_(THE_ROLE[one]) for one in Role if one in rule.roles)
            return Problem(
                403,
                _("Not yours to do"),
                _("You are signed in as {role}. This is for {may} alone.").format(
                    role=_(ROLE_NAMES[role]), may=may
                ),
            )
        if rule.whole and session.person.shops:
            return Problem(
                403,
                _("Not yours to do"),
                _("This is of the whole company. You are signed in as somebody of {shops}.").format(
                    shops=", ".join(session.person.shops)
                ),
            )
        return said(ENTER_AGAIN) if rule.grave and not self.access.may_do_grave(session) else None

    def leads(self, asked: str, session: Session | None) -> bool:
        """Whether a page lets somebody in, or asks to sign in first. asked: its path, or a method and what is done by it."""
        address = asked if " " in asked else f"GET {asked}"
        refused = self.refusal(address, self.rules.get(address), session)
        return refused is None or refused.status == SIGN_IN.status

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        BEHIND.set(self.behind)  # what is refused, or leads nowhere, is told on a page of this bay's, too
        found = self.rule(scope) if scope["type"] == "http" else None
        if found is None:
            await self.app(scope, receive, send)
            return
        address, rule = found
        try:
            session = self.access.session(_shown(HTTPConnection(scope), TOKEN, self.secure))
        except StationError as error:  # the file of people is broken; a stop works all the same
            log.error("%s", error)
            session = None
            if rule is None or rule.roles is not None:
                await reply(scope, Problem(503, _("Nobody can sign in"), str(error)))(scope, receive, send)
                return
        refused = self.refusal(address, rule, session)
        if refused is not None and refused.status == SIGN_IN.status and wants_page(scope):
            asked = scope["path"] + (f"?{scope['query_string'].decode()}" if scope["query_string"] else "")
            await RedirectResponse(f"/sign-in?to={quote(asked, safe='/')}", 303)(scope, receive, send)
            return
        MAY.set(lambda path: self.leads(path, session))
        before = BY.set("" if session is None else session.person.name)
        try:
            if refused is not None:
                _log_refused(address, rule, session)
                await reply(scope, refused)(scope, receive, send)
                return
            scope.setdefault("state", {})["session"] = session
            await self.app(scope, receive, send)
        finally:
            BY.reset(before)


def _log_refused(address: str, rule: Rule | None, session: Session | None) -> None:
    if rule is None:
        log.error("%s is in no rule of web.frame.roles; it was refused", address)
    elif session is not None:
        log.warning("%r, %s, was refused %s", session.person.name, session.person.role.value, address)
