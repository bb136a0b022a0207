"""One run of the pump, as a job's report keeps it."""

from dataclasses import dataclass


@dataclass(frozen=True)
class PumpRun:
    """A run that fed the fill. cut_off_l, final_l: litres metered since the fill began, at the stop command and once the
    overrun had come; target_l: what it ran for; why: what stopped it; t_s: when, in the stream's seconds."""

    t_s: float
    cut_off_l: float
    final_l: float
    target_l: float
    why: str
