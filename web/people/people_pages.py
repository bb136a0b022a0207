"""The owner's page: who may sign in, and as what. Each change needs the owner's secret entered lately."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter
from pydantic import Field
from starlette.responses import Response

from station.common.tabular import holds
from station.common.words import N_, _
from station.errors import InputError
from station.people.access import Access
from station.people.people import Role
from station.people.sessions import Session
from station.people.store import CODE_HOURS, People
from web.frame import listing
from web.frame.deps import Body, DiskThreads, Line, do, done, page_of
from web.frame.door import TheAccess, TheSession
from web.frame.listing import Asked, Listing, Page, Pick, Words
from web.frame.problem import Problem
from web.people.sign_in import HashThreads, Named

router = APIRouter()
changes = APIRouter(prefix="/api/people")

EVERY = "*"
"""In place of shops: all of them. Nobody sees the whole company by an omission."""
ASKS = {
    "pin": N_("signs in with a PIN"),
    "passphrase": N_("signs in with a passphrase"),
    "code": N_("has a code and has not chosen a secret yet"),
    "nothing": N_("is taken at their word: this bay is simulated"),
    "shop": N_("has not chosen a secret at the roll-up yet, by the code from there"),
    "help": N_("cannot sign in: give a code"),
}


@dataclass(frozen=True)
class PersonRow:
    """asks: what signs them in, in words. locked: no new device may try for now. shops: that somebody is bound to."""

    name: str
    role: str
    asks: str
    locked: bool
    shops: Sequence[str] = ()


@dataclass(frozen=True)
class PeoplePage:
    """``/people``. fixed: the invented people of a simulated bay, which nobody changes. shops: at a roll-up, what somebody may
    be bound to, ``EVERY`` for all of them; empty at a bay."""

    rows: Sequence[PersonRow]
    roles: Sequence[str]
    list: Listing
    fixed: bool
    code_hours: int
    shops: Sequence[str] = ()


def people_page(access: Access, session: Session | None, words: str, role: str, page: int) -> PeoplePage:
    roles = [one.value for one in Role]
    found = [
        PersonRow(
            tile.person.name,
            tile.person.role.value,
            _(ASKS[tile.asks]),
            access.is_locked(tile.person.name),
            tile.person.shops,
        )
        for tile in access.tiles()
        if holds(words, tile.person.name) and role in ("", tile.person.role.value)
        if session is None or session.person.may_look_after(tile.person)
    ]
    asked = Asked(
        "/people",
        _("Name"),
        words,
        [listing.Field("role", _("Role"), role, [("", _("any role")), *((one, _(one)) for one in roles)])],
    )
    shown, frame = asked.by_page(found, page)
    return PeoplePage(shown, roles, frame, access.open, CODE_HOURS, _choices(access, session))


@router.get("/people")
def people(
    access: TheAccess, session: TheSession, q: Words = "", role: Pick = "", page: Page = 1
) -> Response:
    return page_of("people.html", people_page(access, session, q, role, page))


class NameAndRole(Body):
    """shops: at a roll-up those that somebody is bound to, or ``EVERY`` alone; nothing at a bay."""

    name: Line
    role: Annotated[Role, Field(strict=False)]
    shops: Annotated[list[Line], Field(max_length=1000, default_factory=list)]


def _people(access: Access) -> People:
    if access.people is None:
        raise Problem(
            409, _("Nobody to change"), _("The people of a simulated bay are invented and stay as they are.")
        )
    return access.people


def _theirs(access: Access, session: Session | None, name: str) -> People:
    """The people, to change one of them whom this owner looks after. Raises InputError where that is nobody."""
    people = _people(access)
    kept = people.get(name)
    if (
        session is not None
        and session.person.shops
        and not (kept is not None and session.person.may_look_after(kept.person))
    ):
        raise InputError(_("There is nobody by the name of {name!r} in your shops.").format(name=name[:80]))
    return people


def _choices(access: Access, session: Session | None) -> list[str]:
    if access.shops is None or access.open:
        return []
    mine = () if session is None else session.person.shops
    return [shop for shop in access.shops() if shop in mine] if mine else [EVERY, *access.shops()]


def _bound(access: Access, session: Session | None, shops: Sequence[str]) -> tuple[str, ...]:
    """What somebody is bound to from now on. Raises InputError where this owner may not say so."""
    choices = _choices(access, session)
    if not choices and not shops:
        return ()
    wrong = [shop for shop in shops if shop not in choices]
    if wrong or not shops or (EVERY in shops and len(shops) > 1):
        raise InputError(
            _("The shops are {shops}; tick one or more of: {choices}; or all shops alone.").format(
                shops=", ".join(shops)[:200] or _("none"), choices=", ".join(choices) or _("none")
            )
        )
    return () if EVERY in shops else tuple(sorted(set(shops)))


@changes.post("/add")
async def add(access: TheAccess, session: TheSession, threads: HashThreads, body: NameAndRole) -> Response:
    """Enter somebody; the code is shown once."""
    _people(access)
    shops = await do(threads, _bound, access, session, body.shops)
    return done(name=body.name, code=await do(threads, access.add, body.name, body.role, shops))


@changes.post("/reset")
async def reset(access: TheAccess, session: TheSession, threads: HashThreads, body: Named) -> Response:
    _theirs(access, session, body.name)
    return done(name=body.name, code=await do(threads, access.reset, body.name))


@changes.post("/role")
async def role(access: TheAccess, session: TheSession, threads: DiskThreads, body: NameAndRole) -> Response:
    people = _theirs(access, session, body.name)
    shops = await do(threads, _bound, access, session, body.shops)
    await do(threads, people.set_role, body.name, body.role, shops)
    return done()


@changes.post("/unlock")
async def unlock(access: TheAccess, session: TheSession, threads: DiskThreads, body: Named) -> Response:
    await do(threads, _theirs(access, session, body.name).unlock, body.name)
    return done()


@changes.post("/end")
async def end(access: TheAccess, session: TheSession, threads: DiskThreads, body: Named) -> Response:
    """Sign somebody out everywhere."""
    await do(threads, _theirs(access, session, body.name).end_sessions, body.name)
    return done()


@changes.post("/retire")
async def retire(access: TheAccess, session: TheSession, threads: DiskThreads, body: Named) -> Response:
    await do(threads, _theirs(access, session, body.name).retire, body.name)
    return done()
