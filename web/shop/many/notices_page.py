"""What went to other systems, what waits and what failed; and the button that sends it again."""

from collections.abc import Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Annotated, Any
from urllib.parse import urlsplit

from fastapi import APIRouter, Depends, Request
from starlette.responses import Response

from station.bay.notifying import Notifying
from station.common.tabular import to_csv
from station.common.words import N_, _
from station.record.author import BY
from station.record.many import notice_box
from station.record.many.notice_box import Sent, Standing
from station.record.many.store import Store
from station.record.many.tries import GONE
from web.frame import format as fmt
from web.frame.deps import DiskThreads, do, done, download
from web.shop.many.asked import ReadingDb, TheShops, TheStore
from web.shop.many.contexts import Cell, Link, ManyPage, Press, Section, number
from web.shop.many.printed import many_page
from web.shop.notices import AGAIN, Again, known, send_again_to

router = APIRouter()
SHOWN, MOST = 50, 10_000
KINDS = {
    "job closed": N_("job closed"),
    "short fill": N_("short fill"),
    "calibration due": N_("calibration due"),
}
STATES = {"sent": N_("sent"), "waiting": N_("waiting"), "failed": N_("not taken")}
TONES = {"sent": "ok", "waiting": "none", "failed": "look"}


def _notifying(request: Request) -> Notifying:
    notifying: Notifying = request.app.state.notifying
    return notifying


TheNotifying = Annotated[Notifying, Depends(_notifying)]


def _moment(at: datetime | None) -> str:
    return fmt.UNKNOWN if at is None else fmt.moment(at.isoformat())


def _answer(text: str) -> str:
    return _("answered {status}").format(status=text) if text.isdigit() else _(text) if text else fmt.UNKNOWN


def _stands(one: Standing, configured: bool) -> Cell:
    if not configured:
        return Cell(_("no longer in the file"), tone="none")
    if one.failed:
        return Cell(_("some failed"), tone="look")
    if one.waiting and one.answer == GONE:
        return Cell(_("wants no more"), tone="look")
    if one.waiting and one.answer and not one.answer.startswith("2"):
        return Cell(_("next try {moment}").format(moment=_moment(one.next_at)), tone="look")
    return Cell(_("has everything") if not one.waiting else _("being sent"), tone="ok")


def notices_page(
    notifying: Notifying, standings: Sequence[Standing], newest: Sequence[Sent], moment: Any
) -> ManyPage:
    """moment: a shop and a time, as its own clock had it."""
    rules = {one.name: one.rules for one in notifying.receivers}
    rows = [
        [
            Cell(one.receiver),
            Cell(urlsplit(rules[one.receiver].address).netloc if one.receiver in rules else fmt.UNKNOWN),
            number(one.sent),
            number(one.waiting),
            number(one.failed),
            Cell(_answer(one.answer)),
            Cell(_moment(one.tried_at)),
            _stands(one, one.receiver in rules),
        ]
        for one in standings
    ]
    sent = [
        [
            Cell(moment(one.shop, one.made.isoformat())),
            Cell(one.receiver),
            Cell(f"{one.shop} · {one.bay}"),
            Cell(_(KINDS[one.kind])),
            Cell(_(STATES[one.state]), tone=TONES[one.state]),
            number(one.tries),
            Cell(_answer(one.answer)),
            Cell(one.id),
        ]
        for one in newest
    ]
    presses = [
        Press(send_again_to(one.receiver), AGAIN, one.receiver)
        for one in standings
        if one.receiver in rules and (one.failed or (one.waiting and not one.answer.startswith("2")))
    ]
    sections = [
        Section(
            _("Receivers"),
            _(
                "Systems that are told when a job was closed, a fill came up short or a calibration is due. One that does not answer is "
                "tried again after longer and longer pauses, for three days; then a notice has failed, and waits for somebody to send it again. "
                "A notice that is refused stands aside after five minutes, and later ones go on."
            ),
            (
                _("Receiver"),
                _("Where"),
                _("Sent"),
                _("Waiting"),
                _("Failed"),
                _("Answer"),
                _("Tried"),
                _("Stands"),
            ),
            rows,
            _("Nobody is told yet. Name receivers in a file, and serve with --receivers."),
            presses=presses,
        ),
        Section(
            _("Notices, the newest first"),
            "",
            (
                _("Made"),
                _("Receiver"),
                _("Bay"),
                _("What"),
                _("State"),
                _("Tries"),
                _("Answer"),
                _("Id"),
            ),
            sent,
            _("None yet."),
            [Link("CSV", "/notices.csv"), Link("JSON", "/notices.json")],
        ),
    ]
    return ManyPage(_("Notices"), _("What other systems are told, and whether they took it."), [], sections)


@router.get("/notices", include_in_schema=False)
def notices(db: ReadingDb, shops: TheShops, notifying: TheNotifying) -> Response:
    standings = notice_box.standings(db, shops.company)
    newest = notice_box.newest(db, shops.company, SHOWN)
    return many_page(notices_page(notifying, standings, newest, shops.moment), shops)


@router.get("/notices.json", tags=["read"])
def notices_json(db: ReadingDb, shops: TheShops) -> dict[str, list[Standing] | list[Sent]]:
    """How every receiver of notices stands, and the newest notices with what became of them."""
    return {
        "receivers": list(notice_box.standings(db, shops.company)),
        "notices": list(notice_box.newest(db, shops.company, MOST)),
    }


def _again(store: Store, company: str, name: str) -> int:
    with store.connection() as db:
        return notice_box.again(db, company, name, BY.get() or "–")


@router.get("/notices.csv", include_in_schema=False)
def notices_csv(db: ReadingDb, shops: TheShops) -> Response:
    rows = [asdict(one) for one in notice_box.newest(db, shops.company, MOST)]
    return download(to_csv(rows, list(Sent.__dataclass_fields__)), "notices.csv", "text/csv")


@router.post(AGAIN, include_in_schema=False)
async def again(
    body: Again, store: TheStore, shops: TheShops, notifying: TheNotifying, threads: DiskThreads
) -> Response:
    """Try everything that waits or has failed at once."""
    name = known(body.name, [one.name for one in notifying.receivers])
    return done(notices=await do(threads, _again, store, shops.company, name))
