"""For whoever watches the station from outside: is it well, and its numbers in the Prometheus text format. Nothing that
names a person, a vehicle or a job is among them."""

from fastapi import APIRouter, Request
from starlette.responses import JSONResponse, Response

from web.frame.deps import Station

router = APIRouter()


@router.get("/health")
def health(engine: Station) -> Response:
    """200 where a job can be measured and kept, else 503; each check with a word."""
    now = engine.health()
    content = {
        "ok": now.ok,
        "checks": {name: {"ok": c.ok, "vital": c.vital, "text": c.text} for name, c in now.checks.items()},
        "software": now.software,
    }
    return JSONResponse(content, 200 if now.ok else 503)


@router.get("/metrics")
def metrics(engine: Station, request: Request) -> Response:
    from web.live import numbers

    state = request.app.state
    text = numbers.text_of(engine.health(), state.hub, state.connections)
    return Response(text, media_type=numbers.MEDIA_TYPE)
