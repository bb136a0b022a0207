"""What other systems were told and did not take is sent again: the same word and the same way in at a bay and at the roll-up."""

from collections.abc import Iterable

from fastapi import APIRouter
from starlette.responses import Response

from station.common.words import _
from station.errors import InputError
from web.frame.deps import Body, DiskThreads, Line, Station, do, done

AGAIN = "/api/notices/again"
router = APIRouter()


class Again(Body):
    """name: of the receiver."""

    name: Line


def send_again_to(name: str) -> str:
    return _("Send again to {name}").format(name=name)


def known(name: str, receivers: Iterable[str]) -> str:
    """The name of a receiver. Raises InputError where there is none of that name."""
    names = list(receivers)
    if name not in names:
        raise InputError(
            _("there is no receiver {name!r}; expected one of: {names}.").format(
                name=name[:60], names=", ".join(names) or _("none yet")
            )
        )
    return name


@router.post(AGAIN, include_in_schema=False)
async def again(body: Again, engine: Station, threads: DiskThreads) -> Response:
    """Try everything that a receiver of the bay's own has not taken at once."""
    book = engine.notices
    name = known(body.name, [] if book is None else [one.receiver for one in book.lacking()])
    return done(notices=0 if book is None else await do(threads, book.again, name))
