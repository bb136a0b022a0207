"""The application over many bays: the frame of a bay's own, gate, door and people, around other rooms."""

import argparse
import logging
from collections.abc import AsyncIterator, Iterable, Mapping, Sequence
from contextlib import ExitStack, asynccontextmanager, closing
from functools import partial

from anyio import CapacityLimiter
from fastapi import FastAPI, Request
from starlette.responses import Response

from station.bay import logs
from station.bay.notifying import Notifying
from station.bay.people_book import PeopleBook
from station.commands.roll_up import opened
from station.common.words import _, speak
from station.given.receivers import Receiver
from station.people.access import Access
from station.record.many import people
from station.record.many.connecting import Alone, NoAnswer
from station.record.many.notice_box import StoreBox
from station.record.many.store import NotKnown, Store
from web.frame.assemble import assembled
from web.frame.connections import Open
from web.frame.problem import Problem, reply
from web.frame.render import Behind
from web.frame.roles import MANY_RULES
from web.people import people_pages, sign_in
from web.server import door_of, run, say_first_code, say_ready
from web.shop.many import (
    arriving,
    bays_page,
    compartments,
    jobs,
    leaving_actions,
    leaving_page,
    notices_page,
    pages,
    setting,
    technicians,
    wall,
)
from web.shop.many.asked import of_company
from web.shop.many.in_line import Line
from web.shop.many.taking import Takers, processes, taken
from web.shop.many.wall import Wall

log = logging.getLogger(__name__)
ROUTERS = (
    arriving.router,  # first: most requests are batches, and the routes before theirs are held against each
    bays_page.router,
    leaving_page.router,
    leaving_actions.router,
    pages.router,
    compartments.router,
    technicians.router,
    jobs.router,
    wall.router,
    notices_page.router,
    setting.router,
    sign_in.router,
    sign_in.changes,
    people_pages.router,
    people_pages.changes,
)
DISK_THREADS = 4


def create_app(
    store: Store,
    access: Access,
    company: str = "",
    hosts: Iterable[str] = (),
    secure: bool = False,
    simulated: bool = False,
    receivers: Sequence[Receiver] = (),
    takers: Takers | None = None,
) -> FastAPI:
    """The roll-up's pages and its door for bays.

    company: whose figures are shown; the first one where it is empty. access, hosts, secure: as of a bay's own application.
    simulated: so are its bays, and every page says it. receivers: of notices. takers: processes that take batches in; without
    them threads of this one do. Raises InputError.
    """

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        await app.state.wall.start()
        await app.state.notifying.start()
        try:
            yield
        finally:
            await app.state.notifying.close()
            await app.state.wall.close()

    behind = Behind(simulated, many=True)
    app = assembled("Tallypan, many bays", ROUTERS, MANY_RULES, behind, access, hosts, secure, lifespan)
    app.state.store, app.state.company = store, company

    def shops() -> list[str]:
        with store.connection() as db:
            return list(of_company(db, company).zones)

    access.shops = shops
    app.state.hash_threads = CapacityLimiter(sign_in.HASH_THREADS)
    app.state.disk_threads = CapacityLimiter(DISK_THREADS)
    app.state.take = partial(taken, store) if takers is None else takers.take
    at_once = arriving.TAKE_THREADS if takers is None else takers.count
    app.state.take_threads, app.state.line = CapacityLimiter(at_once), Line(at_once)
    app.state.known, app.state.takes = arriving.Known(), True
    app.state.wall = Wall(store)
    app.state.notifying = Notifying(StoreBox(store, company), receivers)

    @app.exception_handler(NotKnown)
    async def of_no_bay(request: Request, error: NotKnown) -> Response:
        return reply(request.scope, Problem(401, _("Not known"), str(error)))

    @app.exception_handler(NoAnswer)
    async def of_the_database(request: Request, error: NoAnswer) -> Response:
        """What it said is for the log: it names paths and addresses, and whoever asks need not have signed in."""
        log.warning("%s", error)
        text = _(
            "The roll-up's database does not answer at present. Try again. The log of the roll-up has the details."
        )
        return reply(request.scope, Problem(503, _("The roll-up cannot do this now"), text))

    return app


def serve(options: argparse.Namespace) -> None:
    """Serve the roll-up as the command line says, until SIGINT or SIGTERM. Raises InputError, StationError."""
    logs.set_up(True if options.log_json else None)
    speak(options.language)
    count = processes(options.processes)
    with opened(options) as here, closing(Alone(here.store.dsn)), ExitStack() as ending:
        rules = here.serve
        access, tls = door_of(rules, here.ledger, rules.host, options, options.sign_in)

        def announce(address: str) -> None:
            say_ready(address)
            say_first_code(access)

        def make(connections: Open) -> FastAPI:
            secure = tls is not None or rules.proxy
            names = [rules.host, *rules.names]
            return create_app(
                here.store, access, options.company, names, secure, options.simulated, here.receivers, takers
            )

        def logged(changes: Sequence[Mapping[str, str]]) -> None:
            with here.store.connection() as db:
                people.enter(db, changes)

        if access.people is not None:
            ending.callback(PeopleBook(access.people, logged).close)
        takers = Takers(here.store.dsn, count, here.store.revive) if count else None
        if takers is not None:
            ending.callback(takers.close)
        run(make, rules.host, rules.port, announce, tls)
