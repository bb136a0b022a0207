"""What goes wrong while a request is answered, as a page or as JSON, the same in every application."""

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import Response

from station.common.words import _
from station.errors import InputError, StationError
from station.people.access import Refused
from web.frame.problem import Problem, of_status, reply


def answer_faults(app: FastAPI) -> None:
    """Have an application answer in the one shape of ``Problem`` whatever is raised within it."""

    @app.exception_handler(Problem)
    async def of_ours(request: Request, error: Problem) -> Response:
        return reply(request.scope, error)

    @app.exception_handler(Refused)
    async def of_a_stranger(request: Request, error: Refused) -> Response:
        return reply(request.scope, Problem(403, _("Not let in"), str(error)))

    @app.exception_handler(InputError)
    async def of_a_person(request: Request, error: InputError) -> Response:
        return reply(request.scope, Problem(400, _("Please check"), str(error)))

    @app.exception_handler(StationError)
    async def of_the_station(request: Request, error: StationError) -> Response:
        return reply(request.scope, Problem(503, _("The station cannot do this now"), str(error)))

    @app.exception_handler(RequestValidationError)
    async def of_the_form(request: Request, error: RequestValidationError) -> Response:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"][1:]) or "body"
        text = f"{place}: {first['msg']}."
        if first["type"] == "enum":
            text = _("{place} is {value!r}; expected one of: {expected}.").format(
                place=place, value=str(first["input"])[:60], expected=first["ctx"]["expected"]
            )
        return reply(request.scope, Problem(422, _("Not understood"), text))

    @app.exception_handler(HTTPException)
    async def of_the_protocol(request: Request, error: HTTPException) -> Response:
        return reply(request.scope, of_status(error.status_code))
