"""What a litre cost when it left: prices of a period, which may have changed within it."""

from datetime import tzinfo

from station.common import days
from station.shop.catalogue import Catalogue


class Prices:
    """Prices of a period, each for whole days of a zone. cuts: the moments within it at which one began to hold."""

    def __init__(
        self, catalogue: Catalogue | None, country: str | None, since: str, until: str, zone: tzinfo
    ) -> None:
        self._catalogue, self._country, self._zone = catalogue, country, zone
        entries = catalogue.active("price") if catalogue is not None else []
        begins = {days.begins(day, zone) for day in {entry.key[1] for entry in entries}}
        self.cuts = sorted(at for at in begins if since < at < until)
        self._starts = [since, *self.cuts]
        self._known: dict[tuple[str, str], tuple[float, str] | None] = {}

    def of(self, fluid: str, period: int) -> tuple[float, str] | None:
        return self.at(fluid, self._starts[period])

    def at(self, fluid: str, utc: str) -> tuple[float, str] | None:
        if self._catalogue is None:
            return None
        if (fluid, utc) not in self._known:
            day = days.day_of(utc, self._zone)
            self._known[fluid, utc] = self._catalogue.price_per_l(fluid, day, self._country)
        return self._known[fluid, utc]
