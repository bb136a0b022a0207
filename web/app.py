"""The application over one bay: its routes in one list, and what they work on."""

from collections.abc import AsyncIterator, Iterable
from contextlib import asynccontextmanager

from anyio import CapacityLimiter
from fastapi import FastAPI

from station.people.access import Access
from web.calibrating import calibration_actions, calibration_pages, commissioning, density
from web.calibrating.procedure import Procedure
from web.frame.assemble import assembled
from web.frame.connections import Limits, Open
from web.frame.port import Engine
from web.frame.render import Behind
from web.frame.roles import RULES
from web.jobs import curve as job_curve
from web.jobs import pages as job_pages
from web.jobs import photos
from web.live import actions, components, pages, watching
from web.live.hold import Holder
from web.live.hub import Hub
from web.people import people_pages, sign_in
from web.shop import (
    changes_page,
    entries,
    fills,
    fleet_pages,
    moves,
    notices,
    quality_chart,
    quality_pages,
    setup_pages,
    usage_pages,
)

READING = (
    pages.router,
    job_pages.router,
    job_curve.router,
    calibration_pages.router,
    commissioning.router,
    usage_pages.router,
    moves.router,
    fleet_pages.router,
    quality_pages.router,
    fills.router,
    quality_chart.router,
    watching.router,
    components.router,
    setup_pages.router,
    changes_page.router,
    sign_in.router,
    people_pages.router,
    photos.router,
)
CHANGING = (
    actions.router,
    calibration_actions.router,
    commissioning.changes,
    density.router,
    entries.router,
    setup_pages.changes,
    notices.router,
    sign_in.changes,
    people_pages.changes,
)
CHANGE_THREADS = 8
"""Threads for changes. A beat of the hold takes well under a millisecond of one."""
DISK_THREADS = 16
"""Threads for what goes into the record, which wait for the disk; a beat never waits behind them. As many as wait at
once share one sync."""
PHOTO_THREADS = 1
"""Photos are taken in one after another, and no entry waits behind one."""


def create_app(
    engine: Engine,
    access: Access,
    hosts: Iterable[str] = (),
    secure: bool = False,
    connections: Open | None = None,
) -> FastAPI:
    """The station's pages over an engine.

    access: who may come in. hosts: names and addresses, beside the machine's own, under which the station may be called.
    secure: browsers reach it under TLS. connections: those of the server that runs it, to be counted. The event stream
    runs while the application's lifespan does.
    """

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        app.state.hub.start()
        try:
            yield
        finally:
            app.state.hub.close()
            app.state.holder.end()

    behind = Behind(engine.backend == "simulated", engine.invented_past)
    app = assembled("Tallypan", (*READING, *CHANGING), RULES, behind, access, hosts, secure, lifespan)
    app.state.engine = engine
    app.state.hash_threads = CapacityLimiter(sign_in.HASH_THREADS)
    app.state.hub = Hub(engine)
    app.state.connections = Open(Limits()) if connections is None else connections
    app.state.holder = Holder(engine.hold)
    app.state.procedure = Procedure()
    app.state.change_threads = CapacityLimiter(CHANGE_THREADS)
    app.state.disk_threads = CapacityLimiter(DISK_THREADS)
    app.state.photo_threads = CapacityLimiter(PHOTO_THREADS)
    return app
