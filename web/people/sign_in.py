"""Signing in: names as tiles, a PIN pad for gloves, a field for passphrases; a code for the first time."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

from anyio import CapacityLimiter
from fastapi import APIRouter, Depends, Query, Request
from pydantic import Field
from starlette.responses import Response

from station.people.access import Access, SignedIn, Tile
from station.people.sessions import Session
from web.frame.deps import Body, Line, do, done, page_of
from web.frame.door import SIGN_IN, TheAccess, TheSession, let_in, let_out, shown
from web.frame.problem import said

HASH_THREADS = 1
"""One at a time, apart from what holds and stops the pump and from what waits for the disk."""

router = APIRouter()
changes = APIRouter(prefix="/api")


def _hash_threads(request: Request) -> CapacityLimiter:
    threads: CapacityLimiter = request.app.state.hash_threads
    return threads


HashThreads = Annotated[CapacityLimiter, Depends(_hash_threads)]
Secret = Annotated[str, Field(max_length=200)]


@dataclass(frozen=True)
class SignInPage:
    """``/sign-in``. tiles: whoever may sign in. many: names are typed and none is told, since those of one shop are no other's
    to read. first: there is no owner, and a code makes one. nobody: nor is there anybody else, as the shop's people who came down
    before. simulated: no secrets are asked. name, role, by_pin: who is signed in, else empty. to: where to go on."""

    tiles: Sequence[Tile]
    first: bool
    nobody: bool
    simulated: bool
    name: str
    role: str
    by_pin: bool
    to: str
    many: bool


def sign_in_page(access: Access, session: Session | None, to: str) -> SignInPage:
    person = None if session is None else session.person
    many = access.shops is not None and not access.open
    return SignInPage(
        [] if many else access.tiles(),
        access.wants_first_owner,
        access.people is not None and access.wants_first_owner and not access.people.all(),
        access.open,
        "" if person is None else person.name,
        "" if person is None else person.role.value,
        person is not None and person.by_pin,
        to if _is_ours(to) else "/",
        many,
    )


def _is_ours(to: str) -> bool:
    """Whether an address is one of this station's pages, and not one that a link from elsewhere put here."""
    return to.startswith("/") and not to.startswith(("//", "/\\")) and to.isprintable()


@router.get("/sign-in")
def sign_in(
    access: TheAccess, session: TheSession, to: Annotated[str, Query(max_length=500)] = "/"
) -> Response:
    return page_of("sign_in.html", sign_in_page(access, session, to))


class NameAndSecret(Body):
    name: Line
    secret: Secret


class Named(Body):
    name: Line


class OneSecret(Body):
    secret: Secret


class NewSecret(Body):
    secret: Secret
    new: Secret


class Claim(Body):
    """code: as it was printed, or read out. secret: the one that is chosen."""

    name: Line
    code: Line
    secret: Secret


class Nothing(Body):
    pass


def _in(request: Request, signed: SignedIn) -> Response:
    return let_in(request, done(name=signed.person.name), signed)


@changes.post("/sign-in")
async def enter(request: Request, access: TheAccess, threads: HashThreads, body: NameAndSecret) -> Response:
    return _in(request, await do(threads, access.sign_in, body.name, body.secret, *shown(request)))


@changes.post("/claim")
async def claim(request: Request, access: TheAccess, threads: HashThreads, body: Claim) -> Response:
    """Choose a secret by a code that serves once."""
    signed = await do(threads, access.claim, body.name, body.code, body.secret, *shown(request))
    return _in(request, signed)


@changes.post("/say")
async def say(request: Request, access: TheAccess, body: Named) -> Response:
    """Say who one is where no secret is asked."""
    return _in(request, access.say(body.name, shown(request)[0]))


@changes.post("/sign-out")
async def leave(request: Request, access: TheAccess, body: Nothing) -> Response:
    access.sign_out(shown(request)[0])
    return let_out(request, done())


@changes.post("/prove")
async def prove(
    request: Request, access: TheAccess, session: TheSession, threads: HashThreads, body: OneSecret
) -> Response:
    """Enter the secret again, for what is grave."""
    if session is None:
        raise said(SIGN_IN)
    return _in(request, await do(threads, access.prove, session, body.secret, *shown(request)))


@changes.post("/secret")
async def change_secret(
    request: Request, access: TheAccess, session: TheSession, threads: HashThreads, body: NewSecret
) -> Response:
    if session is None:
        raise said(SIGN_IN)
    signed = await do(threads, access.change_secret, session, body.secret, body.new, *shown(request))
    return _in(request, signed)
