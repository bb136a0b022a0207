"""A turn of the pump, a purge of the hose, flow with the pump off, and the command behind them: what is remembered of each.

``station.core.control`` decides by them, ``station.core.commands`` takes in what a person says.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from station.filling.overrun import Stop


@dataclass(frozen=True)
class Run:
    """One turn of the pump, from its start until nothing flows any more.

    from_l: delivered when it began. limit_s: how long it may last. low_since_t_s, high_since_t_s, apart_since_t_s:
    since when its flow is out of range, or the two trains differ. clean: whether its overrun may be learned from.
    stop: what was known when it was stopped; None while it runs. pan_kg, pan_b_kg: what each pan weighed when it began.
    """

    t_s: float
    from_l: float
    limit_s: float
    low_since_t_s: float | None = None
    high_since_t_s: float | None = None
    apart_since_t_s: float | None = None
    block: int = 0
    clean: bool = True
    fine_t_s: float | None = None
    stop: Stop | None = None
    pan_kg: float | None = None
    pan_b_kg: float | None = None


@dataclass(frozen=True)
class Purge:
    """A purge of the hose into a waste vessel. from_l: the meter's total when it began. needed_l: to push out."""

    from_l: float
    needed_l: float


@dataclass(frozen=True)
class Stray:
    """Flow with the pump off. t_s, total_l: when it went off and what the meter had counted by then.

    base_l: the meter's total once what still had to come had come. alarmed: whether it was told.
    """

    t_s: float
    total_l: float
    allowed_l: float
    base_l: float | None = None
    alarmed: bool = False
    on: bool = False


@dataclass(frozen=True)
class Hold:
    """The hold-to-run command and what keeps it from the pump.

    held_t_s: when each control (pendant, page) last said "held". latched: why the pump stays off until every
    control has been let go; None when free. running_since_t_s: None while the pump is off. stopped_t_s: when it was
    last told to stop. stop_open: the hard-wired stop, as read back. fine: the pump's slow speed. tripped: the second
    cut-off was told to open since the pump last started. miscounts: turns that were stopped because the meter may not
    have counted all of them; unsure_l: what may have come uncounted in them.
    """

    held_t_s: Mapping[str, float] = field(default_factory=dict)
    latched: str | None = None
    running_since_t_s: float | None = None
    top_up_l: float = 0.0
    stop_open: bool = False
    stopped_t_s: float | None = None
    fine: bool = False
    tripped: bool = False
    run: Run | None = None
    miscounts: int = 0
    unsure_l: float = 0.0

    @property
    def running(self) -> bool:
        return self.running_since_t_s is not None
