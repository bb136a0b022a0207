"""The owner's page: who may sign in, and as what. Each change needs the owner's secret entered lately."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter
from pydantic import Field
from starlette.responses import Response

from station.common.tabular import holds
from station.common.words import N_, _
from station.people.access import Access
from station.people.people import Role
from station.people.store import CODE_HOURS, People
from web.frame import listing
from web.frame.deps import Body, DiskThreads, Line, do, done, page_of
from web.frame.door import TheAccess
from web.frame.listing import Asked, Listing, Page, Pick, Words
from web.frame.problem import Problem
from web.people.sign_in import HashThreads, Named

router = APIRouter()
changes = APIRouter(prefix="/api/people")

ASKS = {
    "pin": N_("signs in with a PIN"),
    "passphrase": N_("signs in with a passphrase"),
    "code": N_("has a code and has not chosen a secret yet"),
    "nothing": N_("is taken at their word: this bay is simulated"),
    "help": N_("cannot sign in: give a code"),
}


@dataclass(frozen=True)
class PersonRow:
    """asks: what signs them in, in words. locked: no new device may try for now."""

    name: str
    role: str
    asks: str
    locked: bool


@dataclass(frozen=True)
class PeoplePage:
    """``/people``. fixed: the invented people of a simulated bay, which nobody changes."""

    rows: Sequence[PersonRow]
    roles: Sequence[str]
    list: Listing
    fixed: bool
    code_hours: int


def people_page(access: Access, words: str, role: str, page: int) -> PeoplePage:
    roles = [one.value for one in Role]
    found = [
        PersonRow(
            tile.person.name, tile.person.role.value, _(ASKS[tile.asks]), access.is_locked(tile.person.name)
        )
        for tile in access.tiles()
        if holds(words, tile.person.name) and role in ("", tile.person.role.value)
    ]
    asked = Asked(
        "/people",
        _("Name"),
        words,
        [listing.Field("role", _("Role"), role, [("", _("any role")), *((one, _(one)) for one in roles)])],
    )
    shown, frame = asked.by_page(found, page)
    return PeoplePage(shown, roles, frame, access.open, CODE_HOURS)


@router.get("/people")
def people(access: TheAccess, q: Words = "", role: Pick = "", page: Page = 1) -> Response:
    return page_of("people.html", people_page(access, q, role, page))


class NameAndRole(Body):
    name: Line
    role: Annotated[Role, Field(strict=False)]


def _people(access: Access) -> People:
    if access.people is None:
        raise Problem(
            409, _("Nobody to change"), _("The people of a simulated bay are invented and stay as they are.")
        )
    return access.people


@changes.post("/add")
async def add(access: TheAccess, threads: HashThreads, body: NameAndRole) -> Response:
    """Enter somebody; the code is shown once."""
    _people(access)
    return done(name=body.name, code=await do(threads, access.add, body.name, body.role))


@changes.post("/reset")
async def reset(access: TheAccess, threads: HashThreads, body: Named) -> Response:
    _people(access)
    return done(name=body.name, code=await do(threads, access.reset, body.name))


@changes.post("/role")
async def role(access: TheAccess, threads: DiskThreads, body: NameAndRole) -> Response:
    await do(threads, _people(access).set_role, body.name, body.role)
    return done()


@changes.post("/unlock")
async def unlock(access: TheAccess, threads: DiskThreads, body: Named) -> Response:
    await do(threads, _people(access).unlock, body.name)
    return done()


@changes.post("/end")
async def end(access: TheAccess, threads: DiskThreads, body: Named) -> Response:
    """Sign somebody out everywhere."""
    await do(threads, _people(access).end_sessions, body.name)
    return done()


@changes.post("/retire")
async def retire(access: TheAccess, threads: DiskThreads, body: Named) -> Response:
    await do(threads, _people(access).retire, body.name)
    return done()
