"""What a plan comes to before its job begins: what will go in, whether it is there, and what else the record says."""

from dataclasses import asdict, dataclass
from datetime import date
from typing import Any

from station.common.digits import litres, number
from station.common.words import _
from station.filling.hose import Hose
from station.filling.limits import LIMITS as FILLING
from station.given.config import BayConfig
from station.given.job import JobSpec
from station.learning.expected import Expected
from station.learning.mixup import in_other_units
from station.shop import due, stock
from station.shop.catalogue import Catalogue
from station.shop.shop import capacity_question
from station.shop.stock import Enough


@dataclass(frozen=True)
class Preview:
    """Litres at the job's reference temperature. purge_l: what the hose takes first. container: the one named in the
    plan; None where any of the fluid's will do. service: the compartment's next change as it stands today. fluid: as a
    person names it. capacity: as it was typed, and in the units that it may be mistaken for. asked: what the capacity
    contradicts, which is asked about when the job is opened; pan: what does not fit into it. None where all is well."""

    fluid: str
    expected: Expected
    purge_l: float
    container: str | None
    supply: Enough
    service: due.Service | None
    capacity: str = ""
    asked: str | None = None
    pan: str | None = None

    @property
    def cautions(self) -> tuple[str, ...]:
        """What wants something done before the job is opened."""
        lacks = None if self.supply.enough and self.supply.counted else self.supply_text
        return tuple(text for text in (self.asked, self.pan, lacks) if text is not None)

    @property
    def supply_text(self) -> str:
        """Whether it is there, with the figures."""
        one = self.supply
        needs = (
            _("expected fill {fill_l} L and {spare_l} L spare, {purge_l} L to purge the hose")
            if self.purge_l > 0
            else _("expected fill {fill_l} L and {spare_l} L spare")
        ).format(
            fill_l=number(self.expected.value_l, ".2f"),
            spare_l=number(FILLING.spare_l, ".2f"),
            purge_l=number(self.purge_l, ".2f"),
        )
        where = self.container or _("All containers of {fluid} together").format(fluid=self.fluid)
        if not one.held:
            if self.container is None:
                return _("No container of {fluid} is entered. Have {needed_l} L ready ({needs}).").format(
                    fluid=self.fluid, needed_l=number(one.needed_l, ".2f"), needs=needs
                )
            return _(
                "{container} is not entered as holding {fluid}. Have {needed_l} L ready ({needs})."
            ).format(
                container=self.container, fluid=self.fluid, needed_l=number(one.needed_l, ".2f"), needs=needs
            )
        if not one.counted:
            return _(
                "What {where} should hold is not known: not counted yet, or the books do not add up. Needed: {needed_l} L ({needs}). Look before you begin."
            ).format(where=where, needed_l=number(one.needed_l, ".2f"), needs=needs)
        holds = _("By the books {where} should hold {content}").format(
            where=where, content=litres(one.content_l, one.u95_l)
        )
        if one.enough:
            return _("{holds}; {needed_l} L are needed.").format(
                holds=holds, needed_l=number(one.needed_l, ".2f")
            )
        return _(
            "{holds}; {needed_l} L are needed ({needs}). Bring {bring_l} L more, or pick another container."
        ).format(
            holds=holds, needed_l=number(one.needed_l, ".2f"), needs=needs, bring_l=number(one.bring_l, ".2f")
        )

    def to_dict(self) -> dict[str, Any]:
        return {
            **self.expected.to_dict(),
            "purge_l": self.purge_l,
            "container": self.container,
            "supply": {**self.supply.to_dict(), "text": self.supply_text},
            "service": None if self.service is None else asdict(self.service),
            "capacity": self.capacity,
            "asked": self.asked,
            "pan": self.pan,
        }


def preview(
    config: BayConfig,
    catalogue: Catalogue,
    ledger: Any,
    spec: JobSpec,
    expected: Expected,
    hose: Hose,
    today: date,
    pan: str | None = None,
) -> Preview:
    """expected: of the spec's compartment. hose: what stands in it now. today: of the shop. pan: what does not fit into it."""
    labels = spec.labels
    fluid, container = labels.get("fluid", ""), labels.get("container")
    held = [
        one for one in stock.contents(ledger, catalogue, config.country) if container in (None, one.container)
    ]
    purge_l = hose.foreign(fluid, spec.fresh.grade or "")[0]
    needed_l = expected.value_l + FILLING.spare_l + purge_l
    listed = catalogue.get("compartment", labels.get("vehicle", ""), labels.get("compartment", ""))
    vehicle = catalogue.get("vehicle", labels.get("vehicle", ""))
    service = None
    if listed is not None and vehicle is not None:
        service = due.service_of(ledger, listed, vehicle, today, spec.distance_km, config.zone)
    name = labels.get("fresh_fluid") or fluid
    asked = capacity_question(catalogue, ledger, spec, expected, config.country)
    return Preview(
        name,
        expected,
        purge_l,
        container,
        stock.stock_check(held, fluid, needed_l),
        service,
        " = ".join(
            (spec.capacity_text, *in_other_units(spec.capacity_text, spec.capacity_l, config.country))
        ),
        None if asked is None else asked.wants_reason,
        pan,
    )
