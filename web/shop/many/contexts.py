"""The pages over many bays as texts that are ready to show: sections of tables, each with what is said above it."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any, TypeVar
from urllib.parse import urlencode

from station.common.days import WARN_DAYS, now
from station.common.words import N_, _, ngettext
from station.record.many.certified import Certified, Without
from station.record.many.exporting import HAS_PARQUET
from station.record.many.queries import later
from web.frame import format as fmt
from web.frame.listing import Asked as AskedFor
from web.frame.listing import Field, Listing, options
from web.jobs.contexts import Judged
from web.shop.many.asked import Asked
from web.shop.quality_chart import ChartView

PARQUET = "application/vnd.apache.parquet"
ROWS_MOST = 100
"""Of a table that grows with the company: more rows nobody reads, and each costs time."""
TIED_MOST = 16
SHOPS_AS_TABS = 20
"""Of more shops one is picked from a list."""
KINDS = {"pan": N_("pan"), "pan_b": N_("second pan"), "meter": N_("meter")}

T = TypeVar("T")


@dataclass(frozen=True)
class Cell:
    """address: where it leads, "" nowhere. tone: of a chip, "" for plain text. amount: set to the right."""

    text: str
    address: str = ""
    tone: str = ""
    amount: bool = False

    @property
    def tie(self) -> bool:
        """Short enough to stand in one line beside others: a day, a name."""
        return len(self.text) <= TIED_MOST


@dataclass(frozen=True)
class Link:
    text: str
    address: str
    here: bool = False


@dataclass(frozen=True)
class Press:
    """A button that changes something of one name. address: of the change."""

    text: str
    address: str
    name: str


@dataclass(frozen=True)
class Section:
    """A table. files: its twins. leads: to where more is done with it. presses: what can be done with it. empty: what is said where
    it has no rows. listing: the frame of a list that is looked through, with its own twins. total: of so many rows these are the
    first; 0 where they are all. told: a sentence below each row. folded: rows that are opened up by what ``fold`` says of them."""

    heading: str
    hint: str
    columns: Sequence[str]
    rows: Sequence[Sequence[Cell]]
    empty: str
    files: Sequence[Link] = ()
    leads: Sequence[Link] = ()
    presses: Sequence[Press] = ()
    listing: Listing | None = None
    total: int = 0
    told: Sequence[str] = ()
    fold: str = ""
    folded: Sequence[Sequence[Cell]] = ()

    @property
    def cut(self) -> str:
        shown = len(self.rows) + len(self.folded)
        if self.total <= shown:
            return ""
        return _(
            "The first {n} of {total}. A shop's own page has all of its own, and a file has everything."
        ).format(n=fmt.thousands(shown), total=fmt.thousands(self.total))


@dataclass(frozen=True)
class ManyPage:
    """Any page over many bays. tabs: its months and shops. charts: drawings above the tables. whose: its head on paper, line by
    line. pick: a form for one shop of many. judged: what a job came to. lacking: what its figures cannot have yet."""

    title: str
    under: str
    tabs: Sequence[Link]
    sections: Sequence[Section]
    charts: Sequence[ChartView] = ()
    whose: Sequence[str] = ()
    pick: Listing | None = None
    judged: Judged | None = None
    lacking: str = ""


def rows_of(found: Sequence[T], row: Callable[[T], Sequence[Cell]], total: int = 0) -> dict[str, Any]:
    """What a section shows of so many: the first of them, and how many there are. total: so many, where not all were asked for."""
    return {"rows": [row(one) for one in found[:ROWS_MOST]], "total": max(total, len(found))}


def number(value: int) -> Cell:
    return Cell(fmt.thousands(value), amount=True)


def percent(value: float | None, places: int = 2) -> Cell:
    return Cell(fmt.UNKNOWN if value is None else fmt.percent(value, places), amount=True)


def tabs(address: str, asked: Asked) -> list[Link]:
    """Earlier and later months, how many of them, and one shop alone."""

    def link(text: str, here: bool = False, **more: object) -> Link:
        told = {"month": asked.month, "months": asked.months, "shop": asked.shop, **more}
        query = urlencode({name: value for name, value in told.items() if value})
        return Link(text, f"{address}?{query}", here)

    first = later(asked.scope.until, -1)
    found = [
        link(_("Earlier month"), month=f"{later(first, -1):%Y-%m}"),
        *(
            []
            if later(first, 1) > now().date()
            else [link(_("Later month"), month=f"{later(first, 1):%Y-%m}")]
        ),
        *(
            link(ngettext("{n} month", "{n} months", n).format(n=n), n == asked.months, months=n)
            for n in (1, 3, 12)
        ),
    ]
    if 1 < len(asked.shops.zones) <= SHOPS_AS_TABS:
        found += [link(_("All shops"), not asked.shop, shop="")]
        found += [link(shop, shop == asked.shop, shop=shop) for shop in asked.shops.zones]
    return found


def pick(address: str, asked: Asked) -> Listing | None:
    """A form for one shop of many; None where each has a tab."""
    if len(asked.shops.zones) <= SHOPS_AS_TABS:
        return None
    field = Field("shop", _("Shop"), asked.shop, options(asked.shops.zones, _("All shops")))
    kept = [("month", asked.month), ("months", f"{asked.months}")]
    frame = AskedFor(address, "", "", [field], kept).by_page((), 1)[1]
    return replace(frame, narrowed=True)  # the one field stands open


def months_of(asked: Asked) -> str:
    """``March 2026``, or from when to when."""
    low, high = fmt.month(asked.scope.since), fmt.month(later(asked.scope.until, -1))
    return low if low == high else _("{low} to {high}").format(low=low, high=high)


def called(key: str) -> str:
    """A company's or a shop's key as a name on paper: ``Estuary buses`` for ``estuary-buses``."""
    return key.replace("-", " ").capitalize()


def span(asked: Asked) -> str:
    """``2026-03``, or from when to when, for the name of a file."""
    first = f"{asked.scope.since:%Y-%m}"
    return first if first == asked.month else _("{low} to {high}").format(low=first, high=asked.month)


def query_of(asked: Asked) -> str:
    told = {"month": asked.month, "months": asked.months, "shop": asked.shop}
    return urlencode({name: value for name, value in told.items() if value})


def files(address: str, asked: Asked) -> list[Link]:
    """A table's twins. Parquet only where the extra for it is installed."""
    of = [("CSV", "csv"), ("JSON", "json"), *([("Parquet", "parquet")] if HAS_PARQUET else [])]
    return [Link(text, f"{address}.{end}?{query_of(asked)}") for text, end in of]


# --- calibrations ------------------------------------------------------------------------------------------


def due_state(valid_until: date, today: date) -> tuple[str, str]:
    """What to say of a certificate, and its tone."""
    left = (valid_until - today).days
    if left < 0:
        return ngettext("⚠ overdue since {n} day", "⚠ overdue since {n} days", -left).format(n=-left), "look"
    soon = left <= WARN_DAYS
    text = ngettext("{sign} {n} day left", "{sign} {n} days left", left)
    return text.format(sign="!" if soon else "✓", n=left), "look" if soon else "ok"


def calibrations_page(
    asked: Asked,
    found: Sequence[Certified],
    none: Sequence[Without],
    in_force: int,
    at: datetime,
    off: Mapping[tuple[str, str], str],
) -> ManyPage:
    """found, none: of very many the first. in_force: so many certificates are. at: now; the day that it is differs from shop to shop. off: shop and meter → what its charts say, of those
    that read off."""

    def row(of: Certified | Without) -> list[Cell]:
        if isinstance(of, Without):
            named = [f"{of.shop} · {of.bay}", _(KINDS[of.kind]), *[fmt.UNKNOWN] * 3]
            return [*map(Cell, named), Cell(_("– no certificate"), tone="look"), Cell(fmt.UNKNOWN)]
        text, tone = due_state(of.valid_until, asked.shops.day(of.shop, at))
        named = [
            f"{of.shop} · {of.bay}",
            of.instrument,
            of.number,
            fmt.day(of.made_at),
            fmt.on(of.valid_until),
        ]
        reads = off.get((of.shop, of.instrument), "")
        return [
            *map(Cell, named),
            Cell(text, tone=tone),
            Cell(f"⚠ {reads}" if reads else fmt.UNKNOWN),
        ]

    def urgency(of: Certified | Without) -> int:
        """Overdue, without one, reading off, and then the soonest to end."""
        if isinstance(of, Without):
            return 1
        return (
            0
            if of.valid_until < asked.shops.day(of.shop, at)
            else 2
            if (of.shop, of.instrument) in off
            else 3
        )

    every: list[Certified | Without] = [*none, *found]
    section = Section(
        _("Certificates, what asks for somebody on top"),
        _("The newest certificate of each instrument that no other replaces."),
        (
            _("Bay"),
            _("Instrument"),
            _("Certificate"),
            _("Made"),
            _("Valid until"),
            _("Stands"),
            _("By its own chart"),
        ),
        empty=_("No bay reports here yet."),
        files=files("/calibrations", asked),
        **{**rows_of(sorted(every, key=urgency), row), "total": in_force + (none[0].bays if none else 0)},
    )
    return ManyPage(_("Calibrations"), _("What is due, at every bay."), [], [section])
