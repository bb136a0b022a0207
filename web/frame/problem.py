"""What went wrong, in one shape: ``{"status", "title", "text"}`` as JSON, and the same three as a page."""

from dataclasses import dataclass, replace
from http import HTTPStatus

from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.types import Scope

from station.common.words import _
from web.frame.render import render


@dataclass(eq=False)
class Problem(Exception):
    """status: HTTP status. title: what happened, short. text: what is wrong and what to do."""

    status: int
    title: str
    text: str


def said(problem: Problem) -> Problem:
    """A problem that is a constant, in the shop's language."""
    return replace(problem, title=_(problem.title), text=_(problem.text))


class SecretWanted(Problem):
    """Somebody's secret is wanted once more; then the same request may be sent again."""


@dataclass(eq=False)
class Crowded(Problem):
    """There is no room just now. again_s: in how many seconds there is; told by Retry-After (RFC 9110, 10.2.3)."""

    again_s: int


def of_status(status: int) -> Problem:
    """A problem for which nothing more is known than its status."""
    texts = {
        404: (_("Not found"), _("There is nothing at this address.")),
        405: (_("Not allowed"), _("This address does not take this kind of request.")),
        500: (
            _("The station stumbled"),
            _("Something went wrong inside the station; its log has the details."),
        ),
    }
    phrase = HTTPStatus(status).phrase
    title, text = texts.get(status, (phrase, _("The request was refused: {status}.").format(status=status)))
    return Problem(status, title, text)


def wants_page(scope: Scope) -> bool:
    """Whether a person is looking: a browser's page request, and not one of the JSON or event addresses."""
    path = scope["path"]
    if scope["method"] not in ("GET", "HEAD") or path.endswith(".json") or path == "/live":
        return False
    return "text/html" in Request(scope).headers.get("accept", "")


def reply(scope: Scope, problem: Problem) -> Response:
    """The problem as a page or as JSON, as the request asked."""
    headers = {"Retry-After": f"{problem.again_s}"} if isinstance(problem, Crowded) else None
    if wants_page(scope):
        return HTMLResponse(render("error.html", page=problem), problem.status, headers)
    content = {"status": problem.status, "title": problem.title, "text": problem.text}
    again = {"again": True} if isinstance(problem, SecretWanted) else {}
    return JSONResponse({**content, **again}, problem.status, headers)
