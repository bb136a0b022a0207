"""The first page over many bays: how far each one's record has arrived, which of them left, what was set aside, and what counts
in no figure."""

from collections.abc import Sequence
from datetime import datetime

from fastapi import APIRouter
from starlette.responses import Response

from station.common.days import now
from station.common.words import _, ngettext
from station.record.many import queries
from station.record.many.accept import Aside, set_aside
from station.record.many.exporting import MOST
from station.record.many.leaving import Left, left
from station.record.many.store import Reporting, Uncounted, reporting, uncounted
from web.frame import format as fmt
from web.frame.render import MAY
from web.shop.many import contexts
from web.shop.many.asked import ReadingDb, Shops, TheShops
from web.shop.many.contexts import Cell, Link, ManyPage, Section, number, rows_of
from web.shop.many.leaving_page import ADDRESS, NEW
from web.shop.many.printed import many_page

router = APIRouter()

REFUSED_S = 86_400.0
"""A bay that was refused within a day is said to have been: two boards with one record are refused in turn."""
SILENT_S = 180.0
"""A bay reports every minute (``station.bay.sender``): one that was silent for three does not."""


def _lead() -> list[str]:
    """The head of the column by which whoever may look after a bay gets to its page."""
    return [_("Change")] if MAY.get()(ADDRESS) else []


def _leads(shop: str, bay: str, text: str) -> list[Cell]:
    return [Cell(text, ADDRESS.format(shop=shop, bay=bay))] if MAY.get()(ADDRESS) else []


def _ago_s(moment: str) -> float:
    return (now() - datetime.fromisoformat(moment)).total_seconds()


def bays_page(
    bays: Sequence[Reporting],
    total: int,
    asides: Sequence[Aside],
    uncounted: tuple[Sequence[Uncounted], int],
    gone: tuple[Sequence[Left], int],
    shops: Shops,
) -> ManyPage:
    """bays, uncounted, gone: the first ones, of so many in total. gone: those that left."""

    def standing(bay: Reporting) -> Cell:
        if bay.fault:
            return Cell(f"⚠ {fmt.sentence(bay.fault)}", tone="look")
        if bay.heard is None:
            return Cell(_("⚠ never heard"), tone="look")
        if bay.doubled:
            return Cell(
                _(
                    "⚠ its record comes under another name, too, and what both have counts twice: move the older name to the newer one"
                ),
                tone="look",
            )
        if bay.refused and bay.refused_at and _ago_s(bay.refused_at) < REFUSED_S:
            told = _("⚠ in order now, refused {when}: {why}. Do two boards have this record and its token?")
            why = fmt.sentence(bay.refused).rstrip(".")
            return Cell(told.format(when=shops.moment(bay.shop, bay.refused_at), why=why), tone="look")
        silent_s = _ago_s(bay.heard)
        if silent_s > SILENT_S:
            minutes = int(silent_s // 60)
            if minutes < 120:
                told = ngettext("⚠ not heard for {n} minute", "⚠ not heard for {n} minutes", minutes)
                return Cell(told.format(n=minutes), tone="look")
            hours = minutes // 60
            if hours < 48:
                told = ngettext("⚠ not heard for {n} hour", "⚠ not heard for {n} hours", hours)
                return Cell(told.format(n=hours), tone="look")
            told = ngettext("⚠ not heard for {n} day", "⚠ not heard for {n} days", hours // 24)
            return Cell(told.format(n=fmt.thousands(hours // 24)), tone="look")
        return Cell(
            ngettext("{n} entry waits", "{n} entries wait", bay.behind).format(n=fmt.thousands(bay.behind))
            if bay.behind
            else _("has everything"),
            tone="ok",
        )

    def row(bay: Reporting) -> list[Cell]:
        return [
            Cell(f"{bay.shop} · {bay.bay}", bay.page),
            Cell(bay.name or fmt.UNKNOWN),
            Cell(fmt.UNKNOWN if bay.heard is None else shops.moment(bay.shop, bay.heard)),
            number(bay.seq),
            standing(bay),
            Cell(
                fmt.UNKNOWN
                if bay.witnessed is None
                else _("{when}, at entry {n}").format(
                    when=shops.moment(bay.shop, bay.witnessed), n=fmt.thousands(bay.witnessed_seq or 0)
                )
            ),
            Cell(bay.software[:12] or fmt.UNKNOWN),
            *_leads(bay.shop, bay.bay, _("Retire, move")),
        ]

    section = Section(
        _("What has arrived"),
        _(
            "A record that was cut, changed or put back to an older copy is named here, and no more of it is taken until that is "
            "cleared up at the bay and somebody accepts it here: tallypan roll-up accept. What a bay had recorded before it was "
            "watched from here was taken as it came: whether it was cut or changed until then, nobody here can tell."
        ),
        (
            _("Bay"),
            _("Calls itself"),
            _("Heard"),
            _("Entries here"),
            _("Stands"),
            _("Watched since"),
            _("Software"),
            *_lead(),
        ),
        empty=_("No bay reports here yet. Enter one with tallypan roll-up enter."),
        leads=[Link(_("Enter a bay"), NEW)] if MAY.get()(NEW) else [],
        files=[Link("CSV", "/bays.csv"), Link("JSON", "/bays.json")],
        **rows_of(bays, row, total),
    )
    kept = Section(
        _("Records set aside"),
        _(
            "What had arrived of a bay that was refused, and was then accepted anew. It is kept as it arrived, and counts in no "
            "figure. Lost: its jobs that the bay's present record has not."
        ),
        (
            _("Bay"),
            _("When"),
            _("Who"),
            _("Because"),
            _("It was refused because"),
            _("Entries"),
            _("Jobs"),
            _("Lost"),
        ),
        [
            [
                Cell(f"{one.shop} · {one.bay}"),
                Cell(shops.moment(one.shop, one.utc)),
                Cell(one.who),
                Cell(one.because),
                Cell(fmt.sentence(one.fault)),
                number(one.seq),
                number(one.jobs),
                number(one.lost),
            ]
            for one in asides
        ],
        _("None."),
        [Link("JSON", "/asides.json")],
    )
    odd, of = uncounted
    left_out = Section(
        _("What counts in no figure"),
        _(
            "Entries that are kept as their bay wrote them, and say something that cannot be counted: a volume that no workshop "
            "holds, a time that is none, a name as long as a page. Look the job up at its bay."
        ),
        (_("Bay"), _("Entry"), _("Job"), _("What it says")),
        empty=_("None."),
        files=[Link("JSON", "/uncounted.json")],
        **rows_of(
            odd,
            lambda one: [
                Cell(f"{one.shop} · {one.bay}"),
                number(one.seq),
                Cell(one.job_id or fmt.UNKNOWN),
                Cell(one.why),
            ],
            of,
        ),
    )
    sections = [section]
    sections += [_those_that_left(*gone, shops)] if gone[1] else []
    sections += [kept] if asides else []
    sections += [left_out] if odd else []
    return ManyPage(
        _("Bays"), _("Every bay that reports here, and how far its record has arrived."), [], sections
    )


def _those_that_left(gone: Sequence[Left], total: int, shops: Shops) -> Section:
    def now_at(one: Left) -> Cell:
        if one.at_shop is not None:
            return Cell(_("goes on as {name}").format(name=f"{one.at_shop} · {one.at_bay}"))
        if one.moved:
            return Cell(_("goes on in another shop"))
        if one.behind:
            told = ngettext(
                "⚠ speaks again: {n} entry waits at the bay",
                "⚠ speaks again: {n} entries wait at the bay",
                one.behind,
            )
            return Cell(told.format(n=fmt.thousands(one.behind)), tone="look")
        return Cell(_("is retired"))

    return Section(
        _("Bays that left"),
        _(
            "Retired, or moved to another shop. What such a bay recorded before stays in every figure of its time, also where it "
            "arrives later. A retired one that speaks again loses nothing: what it records waits in its own record until somebody "
            "brings the bay back."
        ),
        (
            _("Bay"),
            _("Gone since"),
            _("Who"),
            _("Because"),
            _("Entries here"),
            _("Heard"),
            _("Stands"),
            *_lead(),
        ),
        empty=_("None."),
        files=[Link("JSON", "/left.json")],
        **rows_of(
            gone,
            lambda one: [
                Cell(f"{one.shop} · {one.bay}"),
                Cell(shops.moment(one.shop, one.gone_at)),
                Cell(one.gone_by),
                Cell(one.gone_because),
                number(one.seq),
                Cell(fmt.UNKNOWN if one.heard is None else shops.moment(one.shop, one.heard)),
                now_at(one),
                *_leads(one.shop, one.bay, _("Look") if one.moved else _("Bring back")),
            ],
            total,
        ),
    )


@router.get("/", include_in_schema=False)
def bays(db: ReadingDb, shops: TheShops) -> Response:
    named = list(shops.zones)
    total = queries.how_many(db, named).bays
    here = reporting(db, named, contexts.ROWS_MOST, by_need=total > contexts.ROWS_MOST)
    odd = uncounted(db, named, contexts.ROWS_MOST)
    page = bays_page(here, total, set_aside(db, named), odd, left(db, named, contexts.ROWS_MOST), shops)
    return many_page(page, shops)


@router.get("/asides.json", tags=["read"])
def asides_json(db: ReadingDb, shops: TheShops) -> list[Aside]:
    """Records that were set aside when a refused bay was accepted anew, the newest first."""
    return set_aside(db, list(shops.zones))


@router.get("/left.json", tags=["read"])
def left_json(db: ReadingDb, shops: TheShops) -> list[Left]:
    """Bays that were retired or moved, the newest first."""
    return left(db, list(shops.zones), MOST)[0]


@router.get("/uncounted.json", tags=["read"])
def uncounted_json(db: ReadingDb, shops: TheShops) -> list[Uncounted]:
    """Entries that are kept as their bays wrote them, and of which nothing is counted, or not all."""
    return uncounted(db, list(shops.zones), MOST)[0]
