"""What a job came to, in the shape that its record keeps and other tools read as JSON.

``station.figures.balance`` fills it in; everybody else reads it. Volumes in litres at the reference temperature, each
beside its U95; None where nothing was measured.
"""

from collections.abc import Mapping, Sequence
from dataclasses import MISSING, asdict, dataclass, field, fields
from typing import Annotated, Any

from pydantic import BeforeValidator, TypeAdapter

from calibration.budget import Budget
from station.given.pump_run import PumpRun

DRAIN_CUT_SHORT = "drain_cut_short"
"""The kind of notice of a job that ended before the drain was done: what had come out by then says nothing of the compartment."""


@dataclass(frozen=True)
class Told:
    """A notice. kind: a stable word for programs. t_s: when, in the stream's seconds."""

    kind: str
    text: str
    t_s: float


@dataclass(frozen=True)
class Part:
    """A part of the expected fill's doubt. u: its standard uncertainty in litres."""

    name: str
    u: float


@dataclass(frozen=True)
class Spoke:
    """A witness. says_l: the filled volume by its word alone; None for stand and hose, which are in words. word: its own
    verdict, where it has one. p_sound: how likely it is sound. settles: what would tell."""

    name: str
    says_l: float | None
    says_u95_l: float | None
    word: str
    p_sound: float
    settles: str

    @property
    def contradicted(self) -> bool:
        """By the others: it is likelier wrong than sound."""
        return self.p_sound < 0.5


def contradict(witnesses: Sequence[Spoke]) -> bool:
    """Whether one by itself calls the fill otherwise than another does, or is likelier wrong than sound beside the rest."""
    words = {row.word for row in witnesses} & {"full", "short", "over"}
    return len(words) > 1 or any(row.contradicted for row in witnesses)


@dataclass(frozen=True)
class PanStep:
    """Something that came or went on the pan. says: what the technician said it was, "fluid" or "object".

    counted_kg: how much of it counts as fluid. asked: nobody knows what it was until the technician says, and the figure
    depends on it. may_answer: the technician may say; older records do not tell.
    """

    id: str
    kind: str
    t_s: float
    kg: float
    counted_kg: float
    says: str | None
    asked: bool
    may_answer: bool = False


@dataclass(frozen=True)
class LipProof:
    """What a proof at the lip came to. over_l: what its readings of the pan saw run over."""

    proved: bool
    pushed_l: float
    over_l: float
    still: bool


@dataclass(frozen=True)
class InPan:
    """What one of a bay's two pans weighed of the sums; source: pan or pan_b."""

    source: str
    drained_l: float | None
    drained_u95_l: float | None
    overflow_l: float | None
    overflow_u95_l: float | None


def _budgets(tables: Any) -> Any:
    return {name: Budget.from_dict(table) for name, table in tables.items()}


@dataclass(frozen=True)
class Report:
    """A job's report. What has a default may lack in the record of an older version.

    still_to_come: what the next half hour of dripping would bring. expected_parts: where the expected fill's doubt is from.
    wrong_fill: what is wrong with what was filled.
    stands_level: a spirit level on the housing said so.
    proved_fill_l: what this fill says of its compartment, where the level was proved. narrows: where a measurement would
    help most. ran_over_at_l: what was metered when fluid first ran over. topped_up, pump_runs: how it went.
    leak_unsure: it leaks, or something in the pan stopped drying. leak_watched_s: None where the plug was not marked as in;
    leak_watch_s: how long the bay's file wants the watch.
    pans: each pan by itself, where the bay has two. truth: of a simulated job, what really came out and went in. unproved: fluid may have gone past the meter.
    """

    drained_l: float | None
    drained_u95_l: float | None
    metered_l: float | None
    overflow_l: float | None
    filled_l: float | None
    filled_u95_l: float | None
    listed_capacity_l: float
    expected_fill_l: float
    reference_temperature_c: float
    verdict: str
    stage: str
    still_to_come_l: float | None = None
    still_to_come_u95_l: float | None = None
    metered_u95_l: float | None = None
    overflow_u95_l: float | None = None
    expected_fill_u95_l: float = 0.0
    expected_parts: tuple[Part, ...] = ()
    proved_fill_l: float | None = None
    tolerance_minus_l: float = 0.0
    tolerance_plus_l: float = 0.0
    verdict_text: str | None = None
    narrows: str | None = None
    witnesses: tuple[Spoke, ...] = ()
    wrong_fill: str | None = None
    air_l: float = 0.0
    p_short: float | None = None
    p_within: float | None = None
    p_over: float | None = None
    level_seen: bool = False
    stands_level: bool = False
    ran_over_at_l: float | None = None
    leak_l_h: float | None = None
    leak_u95_l_h: float | None = None
    leak_limit_l_h: float | None = None
    leak_text: str | None = None
    leak_found: bool | None = None
    leak_unsure: bool | None = None
    steps: tuple[PanStep, ...] = ()
    pump_runs: tuple[PumpRun, ...] = ()
    topped_up: bool | None = None
    leak_watched_s: float | None = None
    leak_watch_s: float | None = None
    notices: tuple[Told, ...] = ()
    budgets: Annotated[Mapping[str, Budget], BeforeValidator(_budgets)] = field(default_factory=dict)
    """By quantity."""
    lip_proof: LipProof | None = None
    pans: tuple[InPan, ...] = ()
    truth: Mapping[str, float] | None = None
    unproved: bool = False

    @classmethod
    def read(cls, table: Mapping[str, Any]) -> "Report":
        """From a record's JSON; what another version keeps beside is passed over, and where it had no number what is said
        where nothing was kept is taken. Raises ValueError for what is none."""
        return _READ.validate_python(
            {k: v for k, v in table.items() if v is not None or k not in _NEVER_NULL}
        )

    def to_dict(self) -> dict[str, Any]:
        """As JSON carries it; what few jobs have stands in it only where there was one."""
        plain = asdict(self)
        plain["budgets"] = {name: budget.to_dict() for name, budget in self.budgets.items()}
        told = {n: v for n, v in plain.items() if v or n not in ("lip_proof", "pans", "truth", "unproved")}
        return {name: list(value) if isinstance(value, tuple) else value for name, value in told.items()}


_READ = TypeAdapter(Report)
_NEVER_NULL = {one.name for one in fields(Report) if one.default is not None and one.default is not MISSING}
