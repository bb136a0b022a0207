"""What each technician took out of the containers, over many bays, and what it cost: no sums are held of so many names; the jobs and
entries themselves are added up, of so many shops times months as ``compartments`` are."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any, Final

from station.common.words import _
from station.errors import InputError
from station.record.many.compartments import within
from station.record.many.derive import UL
from station.record.many.ingest import Db
from station.record.many.queries import IN, Scope
from station.shop.catalogue import Catalogue
from station.shop.costs import PERIODS, Cost, lists_of, periods, total


@dataclass(frozen=True)
class TechnicianUse:
    """jobs: closed ones. abandoned: given up; what they moved is in the volumes. technician: None of what nobody put a name to. cost:
    as of ``station.shop.costs.Cost``."""

    shop: str
    technician: str | None
    jobs: int
    abandoned: int
    metered_l: float
    filled_l: float
    overflow_l: float
    drawn_l: float
    purge_l: float
    waste_l: float
    cost: float | None
    currency: str
    unpriced_l: float
    mixed: bool

    @property
    def out_l(self) -> float:
        """What left the containers."""
        return self.metered_l + self.drawn_l + self.purge_l + self.waste_l

    @property
    def rest_l(self) -> float:
        """What left them and was put down as nothing."""
        return self.metered_l + self.drawn_l - self.filled_l - self.overflow_l


_METERED = ("metered", "filled", "overflow")
_MOVED = ("drawn", "purge", "waste")
_OUT = "metered_ul + drawn_ul + purge_ul + waste_ul"
_SUMS = ", ".join(f"sum({name}_ul)::bigint" for name in (*_METERED, *_MOVED))


def _ul(volume: str) -> str:
    return f"coalesce(round({volume} * 1e6)::bigint, 0)"


STATEMENTS: Final = {
    "technicians": f"""with price as materialized (select * from unnest({PERIODS})
                as one (shop, fluid, begun, ended, whole, per_l, currency)),
        every as (
            select shop, technician, fluid, day, (stage = 'closed')::int as jobs, (stage <> 'closed')::int as abandoned,
                {", ".join(f"{_ul(f'{name}_l')} as {name}_ul" for name in _METERED)},
                {", ".join(f"0::bigint as {name}_ul" for name in _MOVED)}
            from job where {IN}
            union all select shop, technician, fluid, day, 0, 0, {", ".join("0" for _name in _METERED)},
                {", ".join(_ul(f"case kind when '{name}' then volume_l end") for name in _MOVED)}
            from movement where {IN} and kind in ('drawn', 'purge', 'waste'))
        select e.shop, e.technician, p.currency, sum(jobs)::int, sum(abandoned)::int, {_SUMS},
            sum({_OUT})::bigint, sum(({_OUT}) * p.per_l) / 1e6
        from every e left join price p on p.shop = e.shop and p.fluid = e.fluid and e.day >= p.begun and e.day < p.ended
        group by 1, 2, 3 order by 1, 2, 3"""
}  # fmt: skip


def technicians(
    db: Db, scope: Scope, lists: Mapping[str, Catalogue] | None = None
) -> Sequence[TechnicianUse]:
    """Of each shop those who took the most first. lists: shop → its prices, where they have been read. Raises InputError where they
    are too many jobs."""
    if not within(scope):
        raise InputError(
            _(
                "{n} shops of so many months are too many jobs to add up by technician. Ask for one shop, or for fewer months."
            ).format(n=len(scope.shops))
        )
    values = {**scope.values(), **periods(scope, lists_of(db, scope.shops) if lists is None else lists)}
    rows = db.execute(STATEMENTS["technicians"].encode(), values, prepare=False).fetchall()
    found = [
        _use(shop, who, list(mine)) for (shop, who), mine in groupby(rows, key=lambda row: (row[0], row[1]))
    ]
    return sorted(found, key=lambda one: (one.shop, -one.out_l, one.technician or ""))


def _use(shop: str, technician: str | None, rows: Sequence[Sequence[Any]]) -> TechnicianUse:
    """rows: one for each currency, and one for what had no price then."""
    jobs, abandoned, *volumes_ul = (sum(column) for column in zip(*(row[3:11] for row in rows), strict=True))
    metered_l, filled_l, overflow_l, drawn_l, purge_l, waste_l = (float(one) / UL for one in volumes_ul)
    paid = total(
        Cost(float(cost), currency) if currency else Cost(0.0, "", out_ul / UL)
        for currency, out_ul, cost in ((row[2], row[11], row[12]) for row in rows)
        if out_ul
    )
    return TechnicianUse(
        shop,
        technician,
        jobs,
        abandoned,
        metered_l,
        filled_l,
        overflow_l,
        drawn_l,
        purge_l,
        waste_l,
        **paid.to_dict(),
    )
