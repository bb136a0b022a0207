"""What a page may know of one moment of the bay: one frozen snapshot, absolute values, None where unknown.

``station.bay.view`` builds them. They become JSON in ``BayView.to_dict`` and nowhere else.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from typing import Any, Self

from station.core.notice import Notice
from station.given.pump_run import PumpRun
from station.given.report import PanStep, Report, Spoke
from station.given.said import Mark


@dataclass(frozen=True)
class JobView:
    """The job as it was planned. Texts are empty where nobody said anything; volumes in litres at the reference
    temperature."""

    job_id: str
    vehicle: str
    compartment: str
    technician: str
    grade: str
    drained_fluid: str
    fresh_fluid: str
    expected_from: str
    capacity_text: str
    listed_capacity_l: float
    expected_fill_l: float
    expected_fill_u95_l: float
    method: str
    tolerance_minus_l: float
    tolerance_plus_l: float
    reference_temperature_c: float


@dataclass(frozen=True)
class FiguresView:
    """What was measured so far, as ``station.figures.balance.report`` has it; all None between jobs.

    Volumes in litres at the reference temperature, leaks in litres per hour, each with its U95.
    """

    drained_l: float | None = None
    drained_u95_l: float | None = None
    still_to_come_l: float | None = None
    still_to_come_u95_l: float | None = None
    metered_l: float | None = None
    metered_u95_l: float | None = None
    overflow_l: float | None = None
    overflow_u95_l: float | None = None
    filled_l: float | None = None
    filled_u95_l: float | None = None
    listed_capacity_l: float | None = None
    expected_fill_l: float | None = None
    expected_fill_u95_l: float | None = None
    tolerance_minus_l: float | None = None
    tolerance_plus_l: float | None = None
    reference_temperature_c: float | None = None
    verdict: str | None = None
    verdict_text: str | None = None
    witnesses: tuple[Spoke, ...] = ()
    wrong_fill: str | None = None
    air_l: float | None = None
    p_short: float | None = None
    p_within: float | None = None
    p_over: float | None = None
    level_seen: bool = False
    ran_over_at_l: float | None = None
    leak_l_h: float | None = None
    leak_u95_l_h: float | None = None
    leak_limit_l_h: float | None = None
    leak_text: str | None = None
    leak_found: bool | None = None
    leak_unsure: bool | None = None
    topped_up: bool | None = False
    leak_watched_s: float | None = None
    leak_watch_s: float | None = None
    pump_runs: tuple[PumpRun, ...] = ()

    @classmethod
    def of(cls, report: Report) -> Self:
        return cls(**{one.name: getattr(report, one.name) for one in fields(cls)})


@dataclass(frozen=True)
class StepView(PanStep):
    """Something that came or went on the pan. utc: when it was seen, where that is known."""

    utc: str | None = None


@dataclass(frozen=True)
class TimerView:
    """what: cure, settle or leak watch."""

    what: str
    left_s: float
    of_s: float


@dataclass(frozen=True)
class ItemView:
    """A line of the checklist. caution: it keeps somebody from being hurt. optional: the job goes on without it."""

    key: str
    text: str
    done: bool
    caution: bool
    optional: bool = False


@dataclass(frozen=True)
class MarkView:
    """A mark that makes sense now. why: what it still waits for; None when it can be set."""

    mark: Mark
    label: str
    why: str | None

    @property
    def enabled(self) -> bool:
        return self.why is None

    def to_dict(self) -> dict[str, Any]:
        return {**asdict(self), "enabled": self.enabled}


@dataclass(frozen=True)
class FaultView:
    """What ails a source; "silent" where it says nothing."""

    source: str
    fault: str


@dataclass(frozen=True)
class LipView:
    """The newest proof at the lip. under_way: it waits for a hold, or goes on with one. over_l: what the pan has seen run
    over in it. proved: enough of it."""

    under_way: bool
    steps: int
    pushed_l: float
    most_l: float
    over_l: float
    proved: bool


@dataclass(frozen=True)
class PumpView:
    """The pump in a job. interlock, found, remedy: what holds it off, where something does. do: the remedy, short.

    too_little_left: for the pump, of what is to go. limit_s: how long this turn may last. purge_l: of a purge under way; purged_l: of all so far. overrides: interlock →
    the reason given; doubts: source → what it is suspected of.
    """

    interlock: str | None
    found: str | None
    remedy: str | None
    reason_allowed: bool
    overrides: Mapping[str, str]
    doubts: Mapping[str, str]
    stop_open: bool
    fine: bool
    running_s: float | None
    limit_s: float | None
    expected_flow_l_min: float | None
    overrun_l: float | None
    overrun_s: float
    stops_learned: int
    unsure_l: float
    too_little_left: bool
    air_l: float
    air_u95_l: float
    purging: bool
    purge_needed_l: float
    purge_l: float
    purged_l: float
    purge_possible: bool
    lip: LipView | None = None
    do: str = ""


@dataclass(frozen=True)
class SlugView:
    """A length of the hose that holds one fluid, the one at the nozzle first."""

    fluid: str
    grade: str
    volume_l: float


@dataclass(frozen=True)
class SupplyView:
    """The container at the pump and the hose. hose_l: what the hose holds in all, None where the bay does not say.
    typed_…: what a shop scale showed for the container; None where nobody typed it. on_scale: one stands under it.
    """

    container: str | None = None
    fluid: str | None = None
    grade: str | None = None
    left_l: float | None = None
    left_u95_l: float | None = None
    hose_l: float | None = None
    hose: tuple[SlugView, ...] = ()
    typed_before_kg: float | None = None
    typed_after_kg: float | None = None
    on_scale: bool = False


@dataclass(frozen=True)
class SecondPanView:
    """reads_g: what stands on it; None without a fresh reading. flow_g_s: what runs into it, while a job is open."""

    reads_g: float | None
    flow_g_s: float = 0.0


@dataclass(frozen=True)
class BayView:
    """One moment of the bay. What has a default is as between jobs.

    seq: counts the views. t_s: the stream's newest moment. speed: simulated seconds in a real one. job is None while
    the meter is proved, and its figures are the proving's. wait_s: how long waiting for the drip still pays.
    interruption: the question that a restart in mid-job left open; the pump stays off until it is answered.
    held: a control is held. latched: why the pump stays off until every control has been let go. blocked: why it
    cannot run now. standing: of disk and backup, sentences that stand for as long as they are so.
    """

    seq: int
    t_s: float
    bay: str
    backend: str
    clock_synced: bool
    speed: float
    pan_g: float | None
    supply: SupplyView
    stage: str = "idle"
    stage_s: float = 0.0
    job: JobView | None = None
    figures: FiguresView = field(default_factory=FiguresView)
    steps: tuple[StepView, ...] = ()
    pan_flow_g_s: float = 0.0
    pan_b: SecondPanView | None = None
    """None where the bay has one pan."""
    wait_s: float | None = None
    target_l: float | None = None
    to_go_l: float | None = None
    flow_l_min: float = 0.0
    timer: TimerView | None = None
    pump_on: bool = False
    held: bool = False
    latched: str | None = None
    blocked: str | None = "no job is open"
    pump: PumpView | None = None
    checklist: tuple[ItemView, ...] = ()
    next_marks: tuple[MarkView, ...] = ()
    faults: tuple[FaultView, ...] = ()
    notices: tuple[Notice, ...] = ()
    interruption: str | None = None
    standing: tuple[str, ...] = ()
    temperatures_c: Mapping[str, float] = field(default_factory=dict)

    @property
    def unsure_l(self) -> float:
        """What may have gone in uncounted."""
        return 0.0 if self.pump is None else self.pump.unsure_l

    @property
    def may_go_l(self) -> float | None:
        """What the pump may still be asked for: what is to go, less what may have gone in uncounted; 0 where that is less than
        it can give. None without a job."""
        if self.to_go_l is None:
            return None
        if self.pump is not None and self.pump.too_little_left:
            return 0.0
        return max(0.0, self.to_go_l - self.unsure_l)

    def to_dict(self) -> dict[str, Any]:
        """The view as JSON carries it: the figures stand beside the rest."""
        plain = asdict(self)
        figures = plain.pop("figures")
        return {
            **plain,
            **figures,
            "next_marks": [mark.to_dict() for mark in self.next_marks],
            "notices": [{"kind": n.kind, "text": n.text, "stops": n.stops} for n in self.notices],
        }
