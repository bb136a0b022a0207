"""What is known about a job at one moment. Nothing here acts; ``station.core.step.step`` makes the next one."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from station.common.evolve import evolve
from station.core.notice import Notice
from station.core.turn import Hold, Purge, Stray
from station.filling.drum import Drum
from station.filling.metering import MeterTrack
from station.filling.overrun import Overrun, Stop
from station.given.evidence import TypedWeighings
from station.given.job import JobSpec
from station.given.pumping import UsualFlow
from station.given.settings import Settings
from station.given.stages import Cause, Stage, after
from station.weighing.counts import Counts
from station.weighing.drip import DripFit
from station.weighing.lines import Level
from station.weighing.pan import PanTrack
from station.weighing.rest import Drift, Rest, Watch
from station.weighing.steps import Step


@dataclass(frozen=True)
class Hearing:
    """Who speaks in the stream, and who is not well.

    last_t_s: source → when it last spoke. typical_s: source → how far apart its readings are. silent: sources whose next
    reading is overdue. faults: source → what ails it, in the device's own word. timing_since_s: source → since when it
    is not read in time. temperatures_c: the last usable ones.
    """

    last_t_s: Mapping[str, float] = field(default_factory=dict)
    typical_s: Mapping[str, float] = field(default_factory=dict)
    silent: frozenset[str] = frozenset()
    faults: Mapping[str, str] = field(default_factory=dict)
    timing_since_s: Mapping[str, float] = field(default_factory=dict)
    temperatures_c: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Weighing:
    """What a pan's stream came to, whatever the stage.

    source: the pan's, in the stream. counts: what is wrong with single counts. pan: the calm level and the jumps. steps: what came and went on the pan.
    lifted_flow_kg_s: what was flowing when the pan was last lifted. rest: the pan between resealing and filling;
    drift: what that came to. leak: the pan after the plug went in.
    """

    source: str = "pan"
    counts: Counts = field(default_factory=Counts)
    pan: PanTrack = field(default_factory=PanTrack)
    steps: tuple[Step, ...] = ()
    lifted_flow_kg_s: float = 0.0
    rest: Rest | None = None
    drift: Drift = field(default_factory=Drift)
    leak: Watch | None = None

    def next_id(self) -> str:
        """What the next step on this pan goes by."""
        return f"{'s' if self.source == 'pan' else 'b'}{len(self.steps) + 1}"


@dataclass(frozen=True)
class Drain:
    """The old fluid on its way into the pan.

    before: the pan before the drain. taken: the pan when the drained figure was taken; marked: when the technician said
    that the drain was done, where that is later. temperature_c: of the fluid at ``taken``. bulk_seen: a stream has run.
    calm_since_t_s: since when it is no stream any more. drip: the film that follows. unknown: the pan was moved before the
    figure was taken, with nobody to see what went in or out of it.
    """

    before: Level | None = None
    taken: Level | None = None
    marked: Level | None = None
    temperature_c: float | None = None
    bulk_seen: bool = False
    calm_since_t_s: float | None = None
    drip: DripFit | None = None
    unknown: bool = False


@dataclass(frozen=True)
class LipProof:
    """Small steps after the target, until the pan has weighed the first fluid over the lip; ``station.core.lip``.

    begun_s, from_l: when it began, and what the fill had metered by then. steps: turns of the
    pump; step_l: metered when the last began, stopped_s: when it was stopped, longest_l: the most that one
    brought. read_s, read_kg, read_l: when the pan was last read at rest, at what, and what was metered by then; drip_kg_s:
    what still ran into it. over_kg: what came with the steps, in so many answers of the pan. things: steps known on the
    pan. still: nothing came onto it but what the pump can have brought. proved_s: when enough had been weighed. ended:
    why it is over; None while it is under way.
    """

    begun_s: float
    from_l: float
    steps: int = 0
    step_l: float = 0.0
    stopped_s: float = float("-inf")
    longest_l: float = 0.0
    read_s: float = float("-inf")
    read_kg: float | None = None
    read_l: float = 0.0
    drip_kg_s: float = 0.0
    over_kg: float = 0.0
    answers: int = 0
    things: int = 0
    still: bool = True
    proved_s: float | None = None
    ended: str | None = None


@dataclass(frozen=True)
class Fill:
    """The pan while fresh fluid goes in. base: when the fill began. end: when the plug went in.

    overflow_at_l: what the meter had counted when the pan first saw fluid run over. expected_l: what should
    go in, as of the drain's end and the supply's temperature; None before the fill. container_before_kg,
    container_after_kg: the container on its scale, where it stands on one. proof: the newest proof at the lip. seen_l: what
    the meter had counted when the level was last seen at the plug.
    """

    base: Level | None = None
    end: Level | None = None
    overflow_at_l: float | None = None
    expected_l: float | None = None
    container_before_kg: float | None = None
    container_after_kg: float | None = None
    proof: LipProof | None = None
    seen_l: float | None = None


@dataclass(frozen=True)
class OtherPan:
    """Of the second pan what the first has in ``weighing``, ``drain`` and ``fill``. told: the notices about it, as they are
    said of any pan. See ``station.core.second_pan``."""

    weighing: Weighing = field(default_factory=lambda: Weighing("pan_b"))
    drain: Drain = field(default_factory=Drain)
    base: Level | None = None
    end: Level | None = None
    overflow_at_l: float | None = None
    told: tuple[Notice, ...] = ()


@dataclass(frozen=True)
class Pump:
    """The pump, as told and as read back. on: its relay.

    overrun, usual: learned for this fluid and bay. stops: of this job. stray: flow with the pump off; None before the
    relay was read.
    """

    on: bool = False
    hold: Hold = field(default_factory=Hold)
    overrun: Overrun = field(default_factory=Overrun)
    usual: UsualFlow = field(default_factory=UsualFlow)
    stops: tuple[Stop, ...] = ()
    stray: Stray | None = None


@dataclass(frozen=True)
class Supply:
    """Where the fresh fluid comes from, and what of it did not go into the fill.

    drum: at the pump now; drum_from_l: what the fill had metered when it came there. poured_l: container → what the fill
    took of those before it. earlier: those before it, in their order. purge: one under way; purged_l: by those before it.
    """

    drum: Drum | None = None
    drum_from_l: float = 0.0
    poured_l: Mapping[str, float] = field(default_factory=dict)
    earlier: tuple[Drum, ...] = ()
    purge: Purge | None = None
    purged_l: float = 0.0


@dataclass(frozen=True)
class Slip:
    """The last mark, and what stood before it, should it have been a slip; ``station.core.take_back``.

    led_to: the stage that it led to. other: the second pan. count, top_up_l, pan_kg, steps: of meter, hold and pan before it.
    """

    mark: str
    led_to: Stage
    stage: Stage
    stage_t_s: float
    marks: tuple[tuple[str, float], ...]
    drain: Drain
    fill: Fill
    rest: Rest | None
    drift: Drift
    leak: Watch | None
    other: OtherPan
    counting: bool
    count: int
    top_up_l: float
    pan_kg: float | None
    steps: int


@dataclass(frozen=True)
class Said:
    """What the technician said. marks: each with its time; taken_back: those that were taken back, with when. answers: step → what it was, beside the job file's own.

    overrides: interlock → the reason for going on in spite of it. past_meter_s: when it was said that fluid went in past
    the meter, or that the pan was moved in mid-fill, while the station was stopped; None for never. container: what a
    scale showed.
    """

    marks: tuple[tuple[str, float], ...] = ()
    taken_back: tuple[tuple[str, float], ...] = ()
    answers: Mapping[str, str] = field(default_factory=dict)
    overrides: Mapping[str, str] = field(default_factory=dict)
    past_meter_s: float | None = None
    container: TypedWeighings | None = None


@dataclass(frozen=True)
class Telling:
    """What the station said. warned: interlocks that have been told since the fill began."""

    notices: tuple[Notice, ...] = ()
    warned: frozenset[str] = frozenset()


@dataclass(frozen=True)
class BayState:
    """One job at one moment: what was given, where it stands, and what is known by subject.

    t_s: of the newest sample; stage_t_s: when the stage began. Both in the stream's seconds.
    """

    spec: JobSpec
    settings: Settings = field(default_factory=Settings)
    stage: Stage = Stage.PLAN
    stage_t_s: float = float("-inf")
    t_s: float = float("-inf")
    hearing: Hearing = field(default_factory=Hearing)
    weighing: Weighing = field(default_factory=Weighing)
    drain: Drain = field(default_factory=Drain)
    fill: Fill = field(default_factory=Fill)
    meter: MeterTrack = field(default_factory=MeterTrack)
    pump: Pump = field(default_factory=Pump)
    supply: Supply = field(default_factory=Supply)
    said: Said = field(default_factory=Said)
    telling: Telling = field(default_factory=Telling)
    slip: Slip | None = None
    other: OtherPan = field(default_factory=OtherPan)
    """Of meaning only where ``spec.pan_b`` is given."""

    def pump_can_l_min(self, fine: bool = False) -> float | None:
        """What the pump can do with the fluid as it is now; None where its line or the viscosity is not known."""
        pump = self.spec.pump
        return None if pump is None else pump.flow_at_l_min(self.meter.kv_mm2_s, fine)

    def marked(self, mark: str) -> float | None:
        """When a mark was last set; None if never."""
        return next((t_s for name, t_s in reversed(self.said.marks) if name == mark), None)

    def says(self) -> Mapping[str, str]:
        """What the technician said of each step, here or in the job's file."""
        return {**self.spec.answers, **self.said.answers}


def note(state: BayState, kind: str, text: str, stops: bool = False) -> BayState:
    """Add a notice."""
    return tell(state, Notice(kind, text, state.t_s, stops))


def tell(state: BayState, notice: Notice) -> BayState:
    """Add a notice that is written already."""
    return evolve(state, telling=evolve(state.telling, notices=(*state.telling.notices, notice)))


def move_on(state: BayState, cause: Cause) -> BayState:
    """Go to the stage that the cause leads to, if it leads to another one."""
    stage = after(state.stage, cause)
    return state if stage is state.stage else evolve(state, stage=stage, stage_t_s=state.t_s)


def with_hold(state: BayState, hold: Hold) -> BayState:
    return evolve(state, pump=evolve(state.pump, hold=hold))


def latch(state: BayState, why: str | None) -> BayState:
    return with_hold(state, evolve(state.pump.hold, latched=why))


def with_stray(state: BayState, stray: Stray) -> BayState:
    return evolve(state, pump=evolve(state.pump, stray=stray))


def unwarned(state: BayState, *kinds: str) -> BayState:
    return evolve(state, telling=evolve(state.telling, warned=state.telling.warned - set(kinds)))
