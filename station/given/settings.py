"""How a bay is run: the pump, the hose, the waits. No figure of a balance depends on any of it."""

from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import Field

_S = "write seconds, such as"
Wait = Annotated[float, Field(ge=0.0, le=86_400.0, description=f"{_S} 1200")]


@dataclass(frozen=True)
class Settings:
    """How this bay is run. No figure of the balance depends on these.

    overrun_s: seconds of flow that still pass after the pump is told to stop, until the bay has learned them.
    run_longest_s: the pump's longest turn, however slow it is. pan_room_l, pan_b_room_l: what each pan holds to its rim.
    hose_l: what the hose holds between meter and plug; 0 where it is not to be watched. runs_over_l: what may run over
    at the plug in one turn before the pump is stopped: some spill over the lip is usual while narrow tubes fill.
    lip_proof: whether a fill is proved at the lip: when the technician asks, before the plug goes in, or not at all;
    lip_proof_most_l: what one proof may push in, in all.
    """

    overrun_s: Annotated[float, Field(ge=0.0, le=10.0, description=f"{_S} 0.35")] = 0.35
    no_flow_s: Annotated[float, Field(ge=0.1, le=60.0, description=f"{_S} 2")] = 2.0
    run_longest_s: Annotated[float, Field(ge=1.0, le=7200.0, description=f"{_S} 900")] = 900.0
    pan_room_l: Annotated[
        float,
        Field(gt=0.0, le=500.0, description="write the litres that the pan holds to its rim, such as 12"),
    ] = 12.0
    pan_b_room_l: Annotated[
        float,
        Field(
            gt=0.0, le=500.0, description="write the litres that the second pan holds to its rim, such as 4"
        ),
    ] = 4.0
    hose_l: Annotated[
        float, Field(ge=0.0, le=50.0, description="write the litres between meter and plug, such as 0.35")
    ] = 0.0
    runs_over_l: Annotated[
        float, Field(ge=0.0, le=5.0, description="write litres over the plug's lip in one turn, such as 0.05")
    ] = 0.05
    lip_proof: Annotated[
        Literal["ask", "always", "never"], Field(description='write "ask", "always" or "never"')
    ] = "ask"
    lip_proof_most_l: Annotated[
        float, Field(ge=0.03, le=1.0, description="write the litres that one proof may push in, such as 0.15")
    ] = 0.15
    hold_lapses_s: Annotated[float, Field(ge=0.05, le=1.0, description=f"{_S} 0.3")] = 0.3
    cure_s: Wait = 1200.0
    settle_s: Wait = 120.0
    leak_watch_s: Wait = 180.0
