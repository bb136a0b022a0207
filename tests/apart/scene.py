"""What one job is like before it begins: vehicle, fluids, instruments, people. Nothing in it is known to the station
but ``Typed``."""

from dataclasses import dataclass, field

from tests.apart.housing import Compartment
from tests.apart.instruments import ContainerErrors, MeterErrors, PanErrors
from tests.apart.matter import Fluid

USED = Fluid(885.0, 120.0, 14.5)
FRESH = Fluid(871.0, 115.0, 15.2)


@dataclass(frozen=True)
class Typed:
    """What stands in the JOB.toml: somebody's beliefs.

    old, fresh: what the sheets say; None stands for the truth. origins: of the two densities; None leaves the line
    out. u_kg_m3: of a measured density.
    """

    capacity: str = "2.9 L"
    method: str = "cover removed"
    tolerance_l: float = 0.1
    old: Fluid | None = None
    fresh: Fluid | None = None
    old_origin: str | None = None
    fresh_origin: str | None = None
    old_u_kg_m3: float | None = None
    fresh_u_kg_m3: float | None = None
    zero_count: int = 84213
    kg_per_count: float = 4.761e-6
    pan_u_rel: float = 0.0005
    noise_counts: float = 25.0
    k_per_l: float = 402.5
    meter_u_rel: float = 0.0015


@dataclass(frozen=True)
class People:
    """How the job is worked. Seconds, litres.

    drains_s: from the drain's opening to drain_done. late_s: by how much that mark comes late. waits_s: sealant's
    cure. stops: when the fill ends: "target" (metered), "lip" (after the target in small steps until the pan has
    weighed the first fluid over the lip) or "watch" (when it is seen to run over). target_l: metered, as the meter
    counts. looks: whether somebody looks at the level at the end; eye_l: how far below the lip the level may stand to
    be called seen. says_seen: marks the level as seen whatever there is to see. weighs: whether the container's
    weighings are in the recording; "all the time", "twice" or "". over_limit_l: weighed in the pan, ends the fill.
    ticks_level: when somebody says that a spirit level laid on the housing, along and across, shows level: "first",
    "curing", "settling" or "" for never; whether it is so is another matter. pan_goes: while the sealant cures the pan is
    taken and "emptied", or taken and left "away"; "" where it stays. swaps_at: at this share of the target the container
    is swapped for another that is swap_kg heavier.
    """

    drains_s: float = 720.0
    late_s: float = 2.0
    waits_s: float = 200.0
    stops: str = "target"
    target_l: float = 2.87
    looks: bool = False
    eye_l: float = 0.006
    says_seen: bool = False
    weighs: str = ""
    over_limit_l: float = 0.05
    reacts_s: float = 1.2
    settles_s: float = 150.0
    watches_s: float = 120.0
    flush_kg: float = 0.0
    ticks_level: str = ""
    pan_goes: str = ""
    swaps_at: float | None = None
    swap_kg: float = 0.0


@dataclass(frozen=True)
class Pump:
    """l_s: of thin fluid. air_l: a slug that it draws, air_at: at this share of the target. air_speed: how much faster
    it passes air than fluid (a displacement pump: 1.05 to 1.4). hose_l: so much of the first fluid stays in a hose that had
    run empty."""

    l_s: float = 0.06
    kv_half_mm2_s: float = 2500.0
    lag_s: float = 0.15
    ramp_s: float = 0.2
    air_l: float = 0.0
    air_at: float = 0.5
    air_speed: float = 1.2
    hose_l: float = 0.0


@dataclass(frozen=True)
class Scene:
    """One job. old_share: of the volume to the lip that was in on arrival. warms: share of the way from the supply's
    temperature to the housing's that the fill has gone when the plug goes in. probe_c: what the supply's thermometer shows
    where it hangs in something else. other_l: of another compartment's fluid, drained into the same pan from other_at_s
    after the drain's opening on. dries_on: of the rate at which solvent in the pan dries otherwise, so much from the fill's start
    until the plug is in: little where a gate is shut for so long, or something lies over the pan. dries_after: from then on."""

    seed: int = 1
    box: Compartment = field(default_factory=Compartment)
    old: Fluid = USED
    fresh: Fluid = FRESH
    old_share: float = 0.985
    arrives_c: float = 45.0
    air_c: float = 18.0
    supply_c: float = 18.0
    warms: float = 0.1
    cooling_s: float = 1600.0
    stream_s: float = 50.0
    pressure_hpa: float = 1008.0
    humidity: float = 0.5
    empty_pan_kg: float = 1.7
    pan: PanErrors = field(default_factory=PanErrors)
    meter: MeterErrors = field(default_factory=MeterErrors)
    container: ContainerErrors = field(default_factory=ContainerErrors)
    drum_kg: float = 42.0
    pump: Pump = field(default_factory=Pump)
    foam: float = 0.0
    probe_c: float | None = None
    other_l: float = 0.0
    other_at_s: float = 90.0
    dries_on: float = 1.0
    dries_after: float = 1.0
    people: People = field(default_factory=People)
    typed: Typed = field(default_factory=Typed)
    faults: tuple[str, ...] = ()
    """Names of what is wrong with the instruments or people, for tables."""

    @property
    def shown_c(self) -> float:
        return self.supply_c if self.probe_c is None else self.probe_c
