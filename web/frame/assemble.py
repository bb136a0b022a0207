"""One way to put an application together: gate, turns, door, compression, routes, static files, one shape for what goes wrong."""

from collections.abc import Iterable, Mapping, Sequence

from fastapi import APIRouter, FastAPI
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.staticfiles import StaticFiles
from starlette.types import Lifespan

from station.people.access import Access
from web.frame.door import Door
from web.frame.faults import answer_faults
from web.frame.gate import Gate
from web.frame.render import HERE, Behind
from web.frame.roles import Rule
from web.frame.turns import Turns


def assembled(
    title: str,
    routers: Sequence[APIRouter],
    rules: Mapping[str, Rule],
    behind: Behind,
    access: Access,
    hosts: Iterable[str],
    secure: bool,
    lifespan: Lifespan[FastAPI],
) -> FastAPI:
    """An application over these routers, to be given its state.

    rules: who may do what. access: who may come in. hosts: names and addresses, beside the machine's own, under which it may
    be called. secure: browsers reach it under TLS.
    """
    routes = [route for router in routers for route in router.routes]
    # The generated reference pages fetch their scripts from elsewhere; there may be no network at all.
    app = FastAPI(
        title=title,
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
        lifespan=lifespan,
        middleware=[
            Middleware(Gate, hosts=tuple(hosts), secure=secure),
            Middleware(Turns),
            Middleware(Door, access=access, routes=routes, secure=secure, behind=behind, rules=rules),
            # An event stream and photos are left as they are; what takes a Pi's processor long is done in a thread, so
            # that no beat of a held pump waits behind it.
            Middleware(GZipMiddleware, minimum_size=1024, compresslevel=5, thread_minimum_size=16 * 1024),
        ],
    )
    app.state.access, app.state.secure = access, secure
    for router in routers:
        app.include_router(router)
    app.mount("/static", StaticFiles(directory=HERE / "static"), name="static")
    answer_faults(app)
    return app
