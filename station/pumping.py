"""What a pump can do: its flow over viscosity, its limits, its second speed."""

from dataclasses import asdict, dataclass
from typing import Any

from station.section import Section


@dataclass(frozen=True)
class PumpLine:
    """flow_l_min / (1 + ν / kv_half_mm2_s) is what it moves at a viscosity ν, to be measured when it is fitted.

    max_kv_mm2_s: thicker fluid strains it. fine_share: flow of the slow speed as a share of the fast one's; 0 without
    one. fine_l: what is left to go when it changes to the slow speed.
    """

    flow_l_min: float
    kv_half_mm2_s: float = 900.0
    max_kv_mm2_s: float = 10_000.0
    fine_share: float = 0.0
    fine_l: float = 0.15

    def flow_at_l_min(self, kv_mm2_s: float | None, fine: bool = False) -> float | None:
        """Flow at a viscosity in mm²/s; None where that is not known."""
        if kv_mm2_s is None:
            return None
        return self.flow_l_min * (self.fine_share if fine else 1.0) / (1.0 + kv_mm2_s / self.kv_half_mm2_s)

    def to_table(self) -> dict[str, Any]:
        """The [pump] table of JOB.toml."""
        return asdict(self)


def read_pump(section: Section) -> PumpLine:
    """Read [pump]. Raises InputError."""
    return PumpLine(
        section.number("flow_l_min", above=0.0),
        section.number("kv_half_mm2_s", 900.0, above=0.0),
        section.number("max_kv_mm2_s", 10_000.0, above=0.0),
        section.number("fine_share", 0.0, least=0.0),
        section.number("fine_l", 0.15, least=0.0),
    )
