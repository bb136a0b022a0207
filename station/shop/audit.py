"""Where did the fluid go? What left the containers against what reached compartments, purge, waste and overflow.

Out of containers, by the books: what jobs metered, and what was purged, wasted or drawn by hand. Accounted for: filled,
overflow, purge, waste. What was drawn by hand and never put down as purge or waste is in the unexplained rest, and so is
the difference that a stock take finds: opening count + received − closing count, against the books.

Uncertainties: fills of one meter share its calibration, so their U95 add up straight; overflow is weighed job by job and
adds in squares; counts add in squares. Volumes are those of the jobs, at their own reference temperature. Days are those
of a time zone, and a job belongs to the day on which it was opened.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields, replace
from datetime import UTC, date, timedelta, tzinfo
from typing import Any

from station.common import days
from station.common.words import _
from station.errors import InputError
from station.shop.catalogue import Catalogue
from station.shop.missing import COLUMNS as MISSING_COLUMNS
from station.shop.missing import Missing, missing
from station.shop.movement import KINDS, OUT, SHIFTED
from station.shop.prices import Prices
from station.shop.stock import Stock, between_counts, stock_takes
from station.shop.used_fluid import UsedFluid

GROUPS = ("day", "technician", "vehicle", "compartment", "fluid")
_COMPARTMENT = "coalesce(vehicle || ' · ' || compartment, vehicle, compartment)"
"""One vehicle's rear axle: by the compartment alone, all rear axles of a fleet would be one line."""
TABLES = (*GROUPS, "missing", "stock takes", "used fluid")
"""What goes out as CSV."""
COLUMNS = (
    "group jobs abandoned drained_l out_l metered_l filled_l overflow_l purge_l waste_l drawn_l received_l rest_l rest_u95_l cost currency unpriced_l"
).split()


@dataclass(frozen=True)
class Line:
    """One line of an audit, litres. jobs: closed ones. abandoned: jobs given up; what they moved is in the volumes. cost: of what
    left the containers and had a price then; None where nothing had one, or in two currencies. unpriced_l: what left without one."""

    group: str
    jobs: int
    abandoned: int
    drained_l: float
    out_l: float
    metered_l: float
    filled_l: float
    overflow_l: float
    purge_l: float
    waste_l: float
    drawn_l: float
    received_l: float
    rest_l: float
    rest_u95_l: float
    cost: float | None
    currency: str
    unpriced_l: float

    @property
    def mixed(self) -> bool:
        """Whether its prices are in two currencies, which add up to nothing."""
        return self.cost is None and self.unpriced_l < self.out_l - 1e-9

    def to_dict(self) -> dict[str, Any]:
        return asdict(self)


@dataclass(frozen=True)
class Audit:
    """A period's books: its total, its groups, its stock takes, and the used fluid for the disposal record.

    since, until: ISO dates, the second not included; days of time_zone.
    """

    since: str
    until: str
    time_zone: str
    total: Line
    by: Mapping[str, list[Line]]
    stock: list[Stock]
    missing: Missing
    used: UsedFluid

    def to_dict(self) -> dict[str, Any]:
        return {
            "since": self.since,
            "until": self.until,
            "time_zone": self.time_zone,
            "total": self.total.to_dict(),
            "by": {name: [line.to_dict() for line in lines] for name, lines in self.by.items()},
            "stock": [stock.to_dict() for stock in self.stock],
            "missing": self.missing.to_dict(),
            "used": self.used.to_dict(),
        }

    def table(self, which: str) -> tuple[list[str], list[dict[str, Any]]]:
        """(columns, rows) of one of ``TABLES``, each row with the zone whose days the period's are."""
        if which in GROUPS:
            columns, rows = COLUMNS, [line.to_dict() for line in [*self.by[which], self.total]]
        elif which == "missing":
            columns, rows = MISSING_COLUMNS, [take.to_dict() for take in self.missing.takes]
        elif which == "stock takes":
            columns, rows = [*(f.name for f in fields(Stock)), "explained"], [s.to_dict() for s in self.stock]
        else:
            columns, rows = (
                ["since", "until", *(f.name for f in fields(UsedFluid))],
                [{"since": self.since, "until": self.until, **self.used.to_dict()}],
            )
        return [*columns, "time_zone"], [{**row, "time_zone": self.time_zone} for row in rows]


def month(text: str) -> tuple[str, str]:
    """First day of a month "2026-03" and of the one after. Raises InputError."""
    try:
        first = date.fromisoformat(f"{text}-01")
    except ValueError:
        raise InputError(
            _("month is {text!r}; expected year and month, such as 2026-03.").format(text=text)
        ) from None
    after = date(first.year + first.month // 12, first.month % 12 + 1, 1)
    return first.isoformat(), after.isoformat()


def day(text: str, what: str) -> str:
    """An ISO date. Raises InputError."""
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        raise InputError(
            _("{what} is {text!r}; expected a date such as 2026-03-31.").format(what=what, text=text)
        ) from None


_SUMS = "sum(stage = 'closed'), sum(stage <> 'closed'), total(drained_l), total(metered_l), total(filled_l), total(overflow_l)"


def query(
    group: str, since: str, until: str, zone: tzinfo = UTC, cuts: Sequence[str] = ()
) -> tuple[str, list[str]]:
    """The SQL of one grouping of a period's jobs, and its values. cuts: when a price changed within the period.

    Rows: group, fluid, number of price changes before, then ``_SUMS``.
    """
    price = " + ".join(["0", *["(opened_utc >= ?)"] * len(cuts)])
    if group == "day":
        # A day of the shop is no part of a UTC text: its limits are given, and each is one range of the index.
        names = days.each(since, until)
        limits = [days.begins(name, zone) for name in (*names, until)]
        rows = ", ".join(["(?, ?, ?)"] * len(names))
        sql = (
            f"with day(name, since, until) as (values {rows}) select name, coalesce(fluid, ''), {price}, {_SUMS} "
            "from day join job on opened_utc >= day.since and opened_utc < day.until group by 1, 2, 3"
        )
        bounds = [text for row in zip(names, limits[:-1], limits[1:], strict=True) for text in row]
        return sql, [*bounds, *cuts]
    sql = (
        f"select coalesce({_COMPARTMENT if group == 'compartment' else group}, ''), coalesce(fluid, ''), {price}, {_SUMS} from job "
        "where opened_utc >= ? and opened_utc < ? group by 1, 2, 3"
    )
    return sql, [*cuts, days.begins(since, zone), days.begins(until, zone)]


def movements(ledger: Any, since: str, until: str, zone: tzinfo = UTC) -> list[dict[str, Any]]:
    """What was moved by hand in a period, oldest first."""
    bounds = [days.begins(since, zone), days.begins(until, zone)]
    return list(
        ledger.db.query("select * from movement where utc >= ? and utc < ? order by utc, seq", bounds)
    )


def audit(
    ledger: Any,
    since: str,
    until: str,
    catalogue: Catalogue | None = None,
    country: str | None = None,
    zone: tzinfo = UTC,
) -> Audit:
    """The books of a period. since, until: ISO dates, the second not included. country: for prices per bare quart.
    zone: whose days they are.

    Raises InputError where the dates are in the wrong order.
    """
    if not since < until:
        raise InputError(
            _("the period runs from {since} to {until}; expected an end after its start.").format(
                since=since, until=until
            )
        )
    begun, ended = days.begins(since, zone), days.begins(until, zone)
    prices = Prices(catalogue, country, begun, ended, zone)
    total, books = _sums(ledger, since, until, GROUPS, prices, zone)
    lines = {name: [entry.line() for entry in sums.values()] for name, sums in books.items()}
    takes = stock_takes(ledger, begun, ended)
    return Audit(
        since,
        until,
        days.zone_name(zone),
        total.line(),
        {name: sorted(found, key=_by_name if name == "day" else _by_volume) for name, found in lines.items()},
        takes,
        missing(takes, between_counts(ledger, begun, ended), prices.at),
        _used(ledger, total, begun, ended),
    )


def months(
    ledger: Any,
    last: str,
    count: int,
    catalogue: Catalogue | None = None,
    country: str | None = None,
    zone: tzinfo = UTC,
) -> list[Line]:
    """The sums of so many months up to one such as "2026-03", oldest first; each line's group is its month. Raises
    InputError."""
    found: list[Line] = []
    first, after = month(last)
    for _month in range(count):
        prices = Prices(catalogue, country, days.begins(first, zone), days.begins(after, zone), zone)
        total, _books = _sums(ledger, first, after, ("fluid",), prices, zone)
        found.append(replace(total.line(), group=first[:7]))
        first, after = month(f"{date.fromisoformat(first) - timedelta(days=1)}"[:7])
    return found[::-1]


def _by_name(line: Line) -> str:
    return line.group


def _by_volume(line: Line) -> tuple[float, str]:
    return -line.out_l, line.group


def _sums(
    ledger: Any, since: str, until: str, names: Sequence[str], prices: Prices, zone: tzinfo
) -> tuple["_Sum", dict[str, dict[str, "_Sum"]]]:
    """A period's total, and its sums by each of the groups named, the fluid's among them."""
    moved = movements(ledger, since, until, zone)
    books: dict[str, dict[str, _Sum]] = {}
    total = _Sum("all")
    for name in names:
        sums = books.setdefault(name, {})
        for group, fluid, period, *figures in ledger.db.execute(
            *query(name, since, until, zone, prices.cuts)
        ):
            sums.setdefault(group, _Sum(group)).add_jobs(figures, prices.of(fluid, period))
            if name == "fluid":
                total.add_jobs(figures, prices.of(fluid, period))
        for row in moved:
            group = (days.day_of(row["utc"], zone) if name == "day" else row[_MOVED_BY.get(name, name)]) or ""
            price = prices.at(row["fluid"], row["utc"])
            if row["kind"] in (*OUT, "received"):  # the others are no part of a line
                sums.setdefault(group, _Sum(group)).add_movement(row, price)
            if name == "fluid":
                total.add_movement(row, price)
    return total, books


_MOVED_BY = {"compartment": "vehicle"}
"""What a movement has of a group, where that is not its own: nothing is moved for a compartment."""


class _Sum:
    """A line being added up."""

    def __init__(self, group: str) -> None:
        self.group, self.jobs, self.abandoned = group, 0, 0
        self.drained_l = self.metered_l = self.filled_l = self.overflow_l = 0.0
        self.moved_l = dict.fromkeys((*KINDS, SHIFTED), 0.0)
        self.u2_drawn_l2 = 0.0
        self.cost, self.currency, self.mixed = 0.0, "", False
        self.unpriced_l = 0.0

    def add_jobs(self, figures: Sequence[Any], price: tuple[float, str] | None) -> None:
        jobs, abandoned, drained_l, metered_l, filled_l, overflow_l = figures
        self.jobs += jobs
        self.abandoned += abandoned
        self.drained_l += drained_l
        self.metered_l += metered_l
        self.filled_l += filled_l
        self.overflow_l += overflow_l
        self._pay(metered_l, price)

    def add_movement(self, row: Mapping[str, Any], price: tuple[float, str] | None) -> None:
        self.moved_l[row["kind"]] += row["volume_l"]
        if row["kind"] == "drawn":
            self.u2_drawn_l2 += row["u95_l"] ** 2
        if row["kind"] in OUT:
            self._pay(row["volume_l"], price)

    def _pay(self, volume_l: float, price: tuple[float, str] | None) -> None:
        """What had no price then stands beside the cost of the rest; two currencies are no sum."""
        if volume_l == 0.0:
            return
        if price is None:
            self.unpriced_l += volume_l
            return
        self.mixed = self.mixed or self.currency not in ("", price[1])
        self.cost += volume_l * price[0]
        self.currency = price[1]

    def line(self) -> Line:
        purge_l, waste_l, drawn_l = (self.moved_l[kind] for kind in ("purge", "waste", "drawn"))
        out_l = self.metered_l + purge_l + waste_l + drawn_l
        return Line(
            self.group,
            self.jobs,
            self.abandoned,
            self.drained_l,
            out_l,
            self.metered_l,
            self.filled_l,
            self.overflow_l,
            purge_l,
            waste_l,
            drawn_l,
            self.moved_l["received"],
            # A nanolitre is arithmetic, not fluid; and no rest is written as minus nothing.
            round(out_l - self.filled_l - self.overflow_l - purge_l - waste_l, 9) + 0.0,
            math.sqrt(self.u2_drawn_l2),
            self.cost if self.currency and not self.mixed else None,
            "" if self.mixed else self.currency,
            self.unpriced_l,
        )


def _used(ledger: Any, total: _Sum, since: str, until: str) -> UsedFluid:
    drained_u95_l = ledger.db.execute(
        "select total(drained_u95_l) from job where opened_utc >= ? and opened_utc < ?", [since, until]
    ).fetchone()[0]
    moved = total.moved_l
    return UsedFluid(
        drained_l=total.drained_l,
        overflow_l=total.overflow_l,
        purge_l=moved["purge"],
        waste_l=moved["waste"],
        total_l=total.drained_l + total.overflow_l + moved["purge"] + moved["waste"],
        total_u95_l=drained_u95_l,
        collected_l=moved["collected"],
    )
