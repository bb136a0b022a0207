"""One bay as whoever looks after it sees it: retired, brought back, moved or given another token, each with what it comes to said
first; and a bay that is new."""

from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from station.common.words import _, ngettext
from station.errors import InputError
from station.people.sessions import Session
from station.record.many import leaving
from station.record.many.ingest import Db
from station.record.many.leaving import Standing
from station.record.many.moving import Looked
from station.shop import leaving as said
from web.frame import format as fmt
from web.frame.deps import page_of
from web.frame.door import TheSession
from web.frame.problem import Problem
from web.frame.render import MAY
from web.shop.many.asked import Shops, TheShops, TheStore
from web.shop.many.setting import need

router = APIRouter()
ADDRESS, NEW = "/bays/{shop}/{bay}", "/bays/new"
Asked = Annotated[str, Query(max_length=80)]


@dataclass(frozen=True)
class LookedAt:
    """A move before it is made: what it comes to, sentence by sentence, or why it is refused."""

    heading: str
    told: Sequence[str]
    warned: Sequence[str]
    refused: str = ""


@dataclass(frozen=True)
class BayPage:
    """facts: label and text. state: "in use", "retired" or "moved". bound: whether whoever looks is bound to some shops. undo:
    where the move by which it came is looked at in order to be undone, "" where there is none. asked: what was asked of a move.
    looked: what that comes to. comes_to: of retiring it, or of bringing it back."""

    title: str
    shop: str
    bay: str
    facts: Sequence[tuple[str, str]]
    state: str
    comes_to: Sequence[str]
    shops: Sequence[str]
    bound: bool
    undo: str
    asked: dict[str, str]
    looked: LookedAt | None
    may_give: bool
    server: str


@dataclass(frozen=True)
class NewBayPage:
    """company: "" where there is none yet."""

    company: str
    shops: Sequence[str]
    bound: bool
    server: str


def _amount(jobs: int, litres: float) -> str:
    told = ngettext("{n} closed job with {litres} L filled", "{n} closed jobs with {litres} L filled", jobs)
    return told.format(n=fmt.thousands(jobs), litres=fmt.thousands(litres, 1))


def _waiting(waits: int) -> str:
    if not waits:
        return _("All that it has, as it last said, is here.")
    return ngettext(
        "{n} entry that it has is not here yet, and is taken when it comes.",
        "{n} entries that it has are not here yet, and are taken when they come.",
        waits,
    ).format(n=fmt.thousands(waits))


def _retiring(one: Standing) -> list[str]:
    return [
        _(
            "{amount} stay in every figure, and so does all that it recorded up to now: entry {n} is the newest here."
        ).format(amount=_amount(one.jobs, one.filled_l), n=fmt.thousands(one.seq)),
        _waiting(max(0, one.newest - one.seq)),
        _(
            "From now on it is not called silent or due for calibration, is not on the wall, and is told no lists and no people. "
            "What it records from now on stays in its own record."
        ),
        _("To undo it, bring it back on this same page: then it is as if it had never been retired."),
    ]


def _returning(one: Standing) -> list[str]:
    waits = max(0, one.newest - one.seq)
    return [
        ngettext(
            "It is in use again as if it had been all the time: {n} entry waits at the bay, as it last said, and is taken when it "
            "sends the next time.",
            "It is in use again as if it had been all the time: {n} entries wait at the bay, as it last said, and are taken when it "
            "sends the next time.",
            waits,
        ).format(n=fmt.thousands(waits)),
        _("{amount} stand under its name, and stay.").format(amount=_amount(one.jobs, one.filled_l)),
        _("To undo it, retire it again: from that moment on."),
    ]


def _meant(shop: str, shops: Shops) -> str:
    """The shops that are here and whose names are like one that is not: a slip would found a shop."""
    names = ", ".join(get_close_matches(shop.lower(), list(shops.zones)))
    if shop in shops.zones or not names:
        return ""
    return " " + _("Like it, and here already: {names}. Was that one meant?").format(names=names)


def _looked(one: Standing, target: tuple[str, str], found: Looked, shops: Shops, time_zone: str) -> LookedAt:
    going, name = found.going, f"{target[0]} · {target[1]}"
    told, warned = [], []
    if target[0] not in shops.zones:
        new = _("⚠ {shop} is a new shop, which has no bay yet. It counts its days in {zone}.")
        warned.append(new.format(shop=target[0], zone=time_zone) + _meant(target[0], shops))
    if going.undone:
        told.append(
            _("This undoes the move by which the bay came: afterwards it never left {name}.").format(
                name=name
            )
        )
    elif going.again:
        told.append(
            _(
                "The bay comes back to a name that it had. What stands under it stays, and it goes on behind that."
            )
        )
    elif going.twice:
        told.append(
            _(
                "Both names have the whole record today, and count it twice. Afterwards each has what is of its own time."
            )
        )
    if going.entries:
        told.append(
            ngettext(
                "{n} entry that is here goes over, number {cut}: {amount}.",
                "{n} entries that are here go over, from number {cut} on: {amount}.",
                going.entries,
            ).format(n=fmt.thousands(going.entries), cut=fmt.thousands(going.cut), amount=_amount(*found.go))
        )
    else:
        told.append(
            _("No entry that is here goes over; what it records from {moment} on counts at {name}.").format(
                moment=shops.moment(one.shop, going.utc), name=name
            )
        )
    told.append(
        _("{amount} stay with {shop}, and so does what it recorded before and brings later.").format(
            amount=_amount(*found.stay), shop=one.shop
        )
    )
    if found.first is not None and not going.undone:
        utc, is_set = found.first
        told.append(
            _("By the bay's clock the first that goes over was made {moment}.").format(
                moment=shops.moment(one.shop, utc)
            )
        )
        if not is_set:
            warned.append(
                _("⚠ The bay's clock was not set then. Is that the entry with which its time there began?")
            )
    if found.earlier:
        warned.append(
            ngettext(
                "⚠ {n} entry behind it says an earlier time than that of the move, and goes over, too: the bay's clock was not set.",
                "⚠ {n} entries behind it say an earlier time than that of the move, and go over, too: the bay's clock was not set.",
                found.earlier,
            ).format(n=fmt.thousands(found.earlier))
        )
    if found.ahead:
        warned.append(
            _(
                "⚠ An entry here says {moment}, which is still to come: the bay's clock was ahead, and may cut too early. Leave "
                "the time empty, and nothing that is here goes over, whatever its clock says."
            ).format(moment=shops.moment(one.shop, found.ahead))
        )
    if not going.undone:
        told.append(
            _(
                "Its token and its certificates go along, its containers do not: count those that came with it. A load cell that was "
                "carried elsewhere wants calibrating where it stands now (common practice, no source)."
            )
        )
        told.append(_("To undo it, open the bay under its new name: its page has the button."))
    return LookedAt(_("What moving it to {name} comes to").format(name=name), told, warned)


def _facts(one: Standing, shops: Shops) -> list[tuple[str, str]]:
    moment = fmt.UNKNOWN if one.heard is None else shops.moment(one.shop, one.heard)
    found = [
        (_("Calls itself"), one.name or fmt.UNKNOWN),
        (_("Heard"), moment),
        (_("Newest entry here"), fmt.thousands(one.seq)),
        (_("Under this name"), _amount(one.jobs, one.filled_l)),
    ]
    if one.since is not None:
        moment = shops.moment(one.shop, one.since)
        came = _("since {moment}").format(moment=moment)
        if one.former is not None and one.former[0] in shops.zones:
            told = _("since {moment}, before that as {name}")
            came = told.format(moment=moment, name=" · ".join(one.former))
        found.append((_("Here"), came))
    for gone, back in one.lent:
        told = _("from {gone} to {back}; what it recorded then counts there")
        meanwhile = told.format(gone=shops.moment(one.shop, gone), back=shops.moment(one.shop, back))
        found.append((_("In another shop"), meanwhile))
    if one.gone_at is not None:
        told = _("{moment}, by {who}: {why}")
        gone = told.format(moment=shops.moment(one.shop, one.gone_at), who=one.gone_by, why=one.gone_because)
        found.append((_("Gone since"), gone))
    if one.at is not None:
        seen = one.at[0] in shops.zones
        now_at = (
            _("goes on as {name}").format(name=" · ".join(one.at)) if seen else _("goes on in another shop")
        )
        found.append((_("Stands"), now_at))
    elif one.fault:
        found.append((_("Stands"), f"⚠ {fmt.sentence(one.fault)}"))
    return found


def standing(db: Db, shops: Shops, shop: str, bay: str) -> Standing:
    """A bay of a shop that may be seen."""
    need(shops, shop)
    found = leaving.standing(db, shop, bay)
    if found is None:
        raise Problem(
            404,
            _("No such bay"),
            _("there is no bay {bay!r} of a shop {shop!r}. See the page Bays.").format(
                bay=bay[:40], shop=shop
            ),
        )
    return found


def _bound(session: Session | None) -> bool:
    return session is not None and bool(session.person.shops)


def where_to(shops: Shops, session: Session | None, shop: str) -> str:
    """A shop to which a bay may be moved, or where one may be entered: any for the company's own, also one that is new."""
    return need(shops, shop) if _bound(session) else shop


@router.get(NEW, include_in_schema=False)
def new_bay(request: Request, shops: TheShops, session: TheSession) -> Response:
    page = NewBayPage(shops.company, list(shops.zones), _bound(session), str(request.base_url).rstrip("/"))
    return page_of("many_new.html", page)


@router.get(ADDRESS, include_in_schema=False)
def one_bay(
    request: Request,
    store: TheStore,
    shops: TheShops,
    session: TheSession,
    shop: str,
    bay: str,
    to_shop: Asked = "",
    to_bay: Asked = "",
    when: Asked = "",
    time_zone: Asked = "",
) -> Response:
    """The bay's page; with a name to which it goes, what a move there comes to."""
    with store.connection() as db:
        one = standing(db, shops, shop, bay)
        looked = None
        if to_shop and one.gone_at is None:
            target = (where_to(shops, session, to_shop.strip()), to_bay.strip())
            try:
                looked = _looked(
                    one, target, said.look(db, (shop, bay), target, when, time_zone), shops, time_zone
                )
            except InputError as error:
                name = f"{to_shop} · {to_bay}"
                heading = _("What moving it to {name} comes to").format(name=name)
                why = fmt.sentence(str(error)) + _meant(target[0], shops)
                looked = LookedAt(heading, (), (), why)
    undo = ""
    if one.since is not None and one.former is not None and one.former[0] in shops.zones:
        back = {"to_shop": one.former[0], "to_bay": one.former[1], "when": one.since}
        undo = f"{ADDRESS.format(shop=shop, bay=bay)}?{urlencode(back)}#look"
    state = "in use" if one.gone_at is None else "retired" if one.at is None else "moved"
    page = BayPage(
        f"{shop} · {bay}",
        shop,
        bay,
        _facts(one, shops),
        state,
        _returning(one) if state == "retired" else _retiring(one),
        list(shops.zones),
        _bound(session),
        undo,
        {"to_shop": to_shop, "to_bay": to_bay, "when": when, "time_zone": time_zone},
        looked,
        MAY.get()(NEW) and state == "in use",
        str(request.base_url).rstrip("/"),
    )
    return page_of("many_bay.html", page)
