"""How a bay is run: the pump, the hose, the waits. No figure of a balance depends on any of it."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Settings:
    """How this bay is run. No figure of the balance depends on these.

    overrun_s: seconds of flow that still pass after the pump is told to stop, until the bay has learned them.
    run_longest_s: the pump's longest turn, however slow it is. pan_room_l: what the pan holds to its rim.
    hose_l: what the hose holds between meter and plug; 0 where it is not to be watched. runs_over_l: what may run over
    at the plug in one turn before the pump is stopped: some spill over the lip is usual while narrow tubes fill.
    """

    overrun_s: float = 0.35
    no_flow_s: float = 2.0
    run_longest_s: float = 900.0
    pan_room_l: float = 12.0
    hose_l: float = 0.0
    runs_over_l: float = 0.05
    hold_lapses_s: float = 0.3
    cure_s: float = 1200.0
    settle_s: float = 120.0
    leak_watch_s: float = 180.0
