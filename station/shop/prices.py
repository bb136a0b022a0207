"""What a litre cost when it left: prices of a period, which may have changed within it."""

from station.shop.catalogue import Catalogue


class Prices:
    """Prices of a period. cuts: when one changed within it."""

    def __init__(self, catalogue: Catalogue | None, country: str | None, since: str, until: str) -> None:
        self._catalogue, self._country = catalogue, country
        entries = catalogue.entries["price"].values() if catalogue is not None else []
        self.cuts = sorted({at for entry in entries for at, _ in entry.versions if since < at < until})
        self._starts = [since, *self.cuts]
        self._known: dict[tuple[str, str], tuple[float, str] | None] = {}

    def of(self, fluid: str, period: int) -> tuple[float, str] | None:
        return self.at(fluid, self._starts[period])

    def at(self, fluid: str, utc: str) -> tuple[float, str] | None:
        if self._catalogue is None:
            return None
        if (fluid, utc) not in self._known:
            self._known[fluid, utc] = self._catalogue.price_per_l(fluid, utc, self._country)
        return self._known[fluid, utc]
