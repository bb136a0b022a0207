"""The register of certificates, the calibration under way, and one certificate. Read only."""

import json
from typing import Annotated

from fastapi import APIRouter, Depends, Query, Request
from starlette.responses import JSONResponse, Response

from calibration.certificates import Certificate
from station.calibrating.views import CalibrationView
from station.common import days
from station.common.tabular import to_csv
from station.common.words import _
from web.calibrating import calibration_contexts as contexts
from web.calibrating import register
from web.calibrating.procedure import Procedure
from web.calibrating.register import certificate_page
from web.frame.deps import Station, download, page_of
from web.frame.listing import Page, Pick, Words
from web.frame.port import Engine
from web.frame.problem import Problem
from web.live.pages import TheHub

router = APIRouter()


def _procedure(request: Request) -> Procedure:
    procedure: Procedure = request.app.state.procedure
    return procedure


TheProcedure = Annotated[Procedure, Depends(_procedure)]
Step = Annotated[str | None, Query(max_length=40)]


def _fluid(engine: Engine, key: str) -> contexts.Dense | None:
    """The fluid that a meter is proved with, None where no page has begun the proving."""
    fluid: contexts.Dense | None = engine.settings().fluids.get(key)
    return fluid


def _certificate(engine: Engine, number: str) -> Certificate:
    try:
        return engine.calibrations.certificate(number)
    except KeyError:
        raise Problem(
            404,
            _("No such certificate"),
            _("There is no certificate {number!r} in the register. See the calibration page.").format(
                number=number[:60]
            ),
        ) from None


def _pan_certificate(engine: Engine, data: CalibrationView) -> Certificate | None:
    held = next((c for c in data.certificates if c.kind == "pan" and c.in_use), None)
    return None if held is None else engine.calibrations.certificate(held.number)


@router.get("/calibration")
def calibration(
    engine: Station,
    hub: TheHub,
    procedure: TheProcedure,
    step: Step = None,
    q: Words = "",
    kind: Pick = "",
    page: Page = 1,
) -> Response:
    """step: the part of a pan's calibration to go on with. q, kind, page: of the register."""
    data = engine.calibrations.view()
    content = contexts.calibration_page(
        data,
        procedure,
        live=hub.newest(),
        view=engine.view(),
        options=engine.plan_options(),
        settings=engine.settings(),
        pan_certificate=_pan_certificate(engine, data),
        fluid=_fluid(engine, procedure.fluid),
        simulated=engine.backend == "simulated",
        chosen=step,
        software=engine.software,
        asked=register.asked(q, kind, engine.settings().pan_b is not None),
        page=page,
    )
    return page_of("calibration.html", content)


@router.get("/calibration.json")
def calibration_json(engine: Station) -> Response:
    return JSONResponse(engine.calibrations.view().to_dict())


@router.get("/calibration.csv")
def register_csv(engine: Station, q: Words = "", kind: Pick = "") -> Response:
    """The register of certificates, newest first, as its list was asked for."""
    found = register.wanted(engine.calibrations.view().certificates, register.asked(q, kind, two_pans=True))
    return download(to_csv([vars(row) for row in found], register.COLUMNS), "certificates.csv", "text/csv")


@router.get("/calibration/{number:path}.json")
def certificate_json(engine: Station, number: str) -> Response:
    found = _certificate(engine, number)
    return JSONResponse({"certificate": json.loads(found.to_json()), "sha256": found.digest})


@router.get("/calibration/{number:path}")
def certificate(engine: Station, number: str) -> Response:
    found = _certificate(engine, number)
    row = next(c for c in engine.calibrations.view().certificates if c.number == found.number)
    return page_of("certificate.html", certificate_page(found, row, days.today(engine.settings().zone)))
