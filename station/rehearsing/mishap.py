"""What goes wrong in a simulated workshop, and when: the events of a rehearsal."""

from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import Field

from hardware.simulated.plant import Plant

After = Literal[
    "pan_placed", "drain_open", "drip", "drain_done", "reseal_done", "fill_start", "fill_done", "plug_in"
]
Kind = Literal[
    "kick", "tool", "drop", "lay", "take", "shift", "lift", "empty", "swap", "gulp", "flush", "leak"
]


@dataclass(frozen=True)
class Mishap:
    """One event. after: a mark, or "drip" for the end of bulk flow as the station sees it. at_s: seconds later.

    pan: onto which pan. kg: of what is dropped, laid, taken, poured or differs between two pans. lasts_s: of a tool or a lift.
    rel: off-centre slope of a shifted pan. kg_s: of a flush. l_h: of a leak.
    """

    kind: Kind
    after: After
    at_s: Annotated[float, Field(ge=0.0, le=86_400.0, description="write seconds after that moment")]
    kg: Annotated[float, Field(ge=-50.0, le=50.0, description="write kilograms, such as 0.02")] = 0.02
    lasts_s: Annotated[float, Field(ge=0.0, le=3600.0, description="write seconds, such as 5")] = 5.0
    rel: Annotated[float, Field(ge=-0.1, le=0.1, description="write a share, such as 0.0005")] = 0.0005
    kg_s: Annotated[float, Field(gt=0.0, le=1.0, description="write kilograms a second")] = 0.005
    l_h: Annotated[float, Field(ge=0.0, le=100.0, description="write litres an hour")] = 0.05
    pan: Literal["pan", "pan_b"] = "pan"

    def happen(self, plant: Plant) -> None:
        """Do it to the plant."""
        pan = plant.pan if self.pan == "pan" or plant.pan_b is None else plant.pan_b
        t_s, disturbed = plant.time_s, pan.disturbed
        if self.kind == "kick":
            disturbed.kick(t_s, self.kg)
        elif self.kind == "tool":
            disturbed.tool(t_s, self.lasts_s, self.kg)
        elif self.kind == "drop":
            disturbed.drop(t_s, self.kg)
        elif self.kind in ("lay", "take"):
            disturbed.lay(t_s, self.kg if self.kind == "lay" else -self.kg)
        elif self.kind == "shift":
            disturbed.shift(t_s, self.rel)
        elif self.kind in ("lift", "empty"):
            pan.lift(t_s, self.lasts_s, emptied=self.kind == "empty")
        elif self.kind == "swap":
            pan.lift(t_s, self.lasts_s, emptied=True, tare_change_kg=self.kg)
        elif self.kind == "gulp":
            plant.tip_pocket()
        elif self.kind == "flush":
            disturbed.flush(self.kg, self.kg_s)
        elif self.kind == "leak":
            plant.leak_l_h = self.l_h
