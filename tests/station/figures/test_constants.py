"""Each constant of a budget and of the fault model is felt: changed tenfold, either way, it moves a figure kept here.

The figures were printed once by the probes below and are held to six digits. They say nothing about whether a constant is
right; they say that nobody can change one by a slip and see every test pass.
"""

import math
from collections.abc import Iterator, Mapping
from types import ModuleType
from typing import Any

import pytest

from calibration import fluid as fluid_module
from calibration import loadcell, weighing_uncertainty
from calibration.fluid import ORIGINS, Fluid
from calibration.weighing_classes import Findings
from station.common.evolve import evolve
from station.core.state import BayState, Drain, Fill, Hearing, LipProof
from station.figures import balance, faults, metered, over_lip, witnesses
from station.filling.metering import MeterTrack
from station.given.evidence import ContainerWeighing, MeterRecord
from station.given.job import JobSpec
from station.given.lines import MeterLine, PanLine
from station.given.pumping import PumpLine, UsualFlow
from station.weighing.lines import Level

MODULES = (metered, balance, faults, over_lip, witnesses, weighing_uncertainty, fluid_module)
"""Whose numeric constants are tried, all in capitals; those of a room's ``Limits`` are in ``tests.station.test_limits``."""
NOT_OF_A_BUDGET = {
    "station.figures.balance": {"NARROWS_SHARE", "WORTH_ASKING"},
    "calibration.fluid": {"LINEAR_RANGE_C"},
    "station.figures.witnesses": {"CONTRADICTED", "WORTH_A_WORD_REL"},
    "station.figures.over_lip": {"LEAK_TIMES"},
}  # fmt: skip
"""How the drift is fitted, what is worth a sentence, how far a density is believed, how much of a leak is no lip: tested
where they belong."""

OIL = {"kind": "lubricant", "density_15_kg_m3": 880.0, "kv40_mm2_s": 120.0, "kv100_mm2_s": 14.5}
THIN = {**OIL, "kv40_mm2_s": 24.0, "kv100_mm2_s": 5.0}


PAN = PanLine(0.0, 4.0e-6, 0.0005, 25.0)


def spec(fresh: dict[str, Any] = OIL, pan: PanLine = PAN, **more: Any) -> JobSpec:
    return JobSpec(
        "2.9 L", 2.9, "cover removed", Fluid.from_table(OIL), Fluid.from_table(fresh), pan, MeterLine(400.0, 0.0015), retained_l=0.03, u_retained_l=0.01, **more,
    )  # fmt: skip


def state(over_kg: float = 0.0, supply_c: float | None = 30.0, **more: Any) -> BayState:
    """A fill of 2.85 L after a drain of 2.4 kg in 900 s."""
    track = MeterTrack(pulses=1150, volume_l=2.85, supply_c=supply_c, pumped_s=60.0, kv_mm2_s=200.0)
    levels = [Level(t_s, kg, 1e-4) for t_s, kg in ((0.0, 0.0), (900.0, 2.4), (2200.0, 2.4 + over_kg))]
    return BayState(
        spec(**more),
        drain=Drain(before=levels[0], taken=levels[1]),
        fill=Fill(base=Level(1900.0, 2.4, 1e-4), end=levels[2]),
        meter=track,
        hearing=Hearing(last_t_s={"meter": 1.0}),
    )


def words(**more: Any) -> float:
    """P(short) of a fill, told with many digits by everything that may be wrong with its witnesses."""
    found = balance.figures(state(**more)).hearing
    assert found is not None
    return found.fusion.judgement.p_short + 2.0 * found.fusion.judgement.p_over


def others() -> Iterator[tuple[str, float]]:
    """How likely a capacity means another volume, for three capacities."""
    for fills in (0, 2, 9):
        yield (
            f"another volume, {fills} fills learned from",
            sum(faults.p_other(e_l, fills, 2.5, (0.5, 2.0)) for e_l in (2.6, 9.0, 400.0)),
        )


def probes() -> Iterator[tuple[str, float]]:
    none = Findings(4.0, ())
    line = loadcell.fit([0, 100, 200, 301], [0.0, 1.0, 2.0, 3.0])
    for name, value in vars(weighing_uncertainty.weighing_uncertainty(line, none)).items():
        if math.isfinite(value):
            yield f"pan {name}", value
    for origin in ORIGINS:
        yield f"density {origin}", Fluid.from_table({**OIL, "density_origin": origin}).u_density_rel
    floor = {**OIL, "density_origin": "unknown", "u_density_kg_m3": 0.1}
    yield "density unknown at least", Fluid.from_table(floor).u_density_rel
    yield "water", Fluid.from_table({"kind": "water"}).u_density_rel
    for c in (5.0, 38.0):
        yield f"slip thin {c}", metered.u_slip_rel(spec(THIN), c, None)
        yield f"slip thick {c}", metered.u_slip_rel(spec(), c, None)
    yield "slip unread", metered.u_slip_rel(spec(), None, None)
    for supply_c in (30.0, None):
        counted = metered.metered(state(supply_c=supply_c))
        assert counted is not None
        for term in counted.terms:
            yield f"metered {supply_c} {term.name}", term.u
    weighed = balance.figures(state(over_kg=0.03))
    assert weighed.drained is not None
    assert weighed.overflow is not None
    for budget in (weighed.drained, weighed.overflow):
        for term in budget.terms:
            yield f"{budget.quantity} {term.name}", term.u
    record = MeterRecord(5, 0.01, 0.002, 12)
    doubtful = PanLine(0.0, 4.0e-6, 0.0005, 25.0, u_linearity_kg=0.004)
    precise = PanLine(0.0, 4.0e-6, 0.0, 25.0, creep_rel=0.0, u_linearity_kg=0.0, u_kg_per_c=0.0)
    fills: dict[str, dict[str, Any]] = {
        "alone": {},
        "proved": {"meter_record": MeterRecord(proved=True)},
        "record": {"meter_record": record},
        "accused": {"meter_record": MeterRecord(20, 0.06, 0.002, 0)},
        "learned": {"learned_from": 4},
        "container": {"container": ContainerWeighing(60.0, 57.55)},
        "pump": {"pump": PumpLine(3.2)},
        "drops": {"over_kg": 0.0075},
        "lip": {"over_kg": 0.02},
        "much": {"over_kg": 0.15},
        "doubtful pan": {"over_kg": 0.009, "pan": doubtful},
        "precise pan": {"over_kg": 0.005, "pan": precise},
    }
    for name, more in fills.items():
        yield name, words(**more)
    for e_l in (2.9, 12.0):
        witnesses = (
            faults.level(e_l, 0.01 * e_l),
            faults.dry_lip(e_l),
            faults.lip(0.02, e_l),
            faults.container(e_l),
            faults.pump(e_l),
        )
        for seen in (*witnesses, faults.drained(e_l)):
            yield (
                f"faults {e_l} {seen[0].name}",
                sum(
                    f.prior * (1.0 + sum(p.weight * (p.shift_l + 2.0 * p.u_l) for p in f.parts)) for f in seen
                ),
            )
    yield from others()
    air = faults.meter(2.9, MeterRecord(), True)
    yield "air seen", sum(f.prior * (1.0 + sum(p.weight * (p.shift_l + p.u_l) for p in f.parts)) for f in air)
    marked = state()
    marked = BayState(**{**vars(marked), "said": type(marked.said)(marks=(("level_seen", 1.0),))})
    stands = evolve(state(over_kg=0.02), said=type(marked.said)(marks=(("stands_level", 1.0),)))
    hose = state(container=ContainerWeighing(60.0, 57.55))
    hose = evolve(hose, said=type(hose.said)(marks=(("hose_full", 1.0),)))
    known = state(pump=PumpLine(3.2))
    learned = BayState(**{**vars(known), "pump": type(known.pump)(usual=UsualFlow(1.0, 0.001, 9))})
    weighed_on = BayState(
        **{**vars(marked), "fill": type(marked.fill)(**{**vars(marked.fill), "container_before_kg": 9.0,
                                                      "container_after_kg": 6.55})}
    )  # fmt: skip
    pushed = {
        name: evolve(
            bay,
            fill=evolve(
                bay.fill,
                proof=LipProof(
                    100.0, 2.8, read_kg=0.0, read_l=2.8 + pushed_l, over_kg=over_kg, proved_s=proved_s
                ),
            ),
        )
        for name, bay, pushed_l, over_kg, proved_s in (
            ("proof", state(over_kg=0.02), 0.05, 0.017, 150.0),
            ("dry", state(), 0.05, 0.0, None),
            ("barely tried", state(), 0.02, 0.0, None),
        )
    }
    for name, one in (
        ("level", marked),
        ("stands", stands),
        ("hose", hose),
        ("learned pump", learned),
        ("scale", weighed_on),
        *pushed.items(),
    ):
        heard = balance.figures(one).hearing
        assert heard is not None
        yield (
            f"heard {name}",
            sum(w.u_l + w.value_l for w in heard.witnesses) + heard.fusion.judgement.p_short,
        )


Path = tuple[Any, ...]


def leaves(value: Any) -> list[Path]:
    """Where the numbers of a constant stand: () for a plain one, indices and keys into a tuple or a dict."""
    if isinstance(value, bool):
        return []
    if isinstance(value, int | float):
        return [()] if value else []  # ten times nothing is nothing
    inside = (
        enumerate(value) if isinstance(value, tuple) else value.items() if isinstance(value, Mapping) else ()
    )
    return [(at, *rest_of) for at, inner in inside for rest_of in leaves(inner)]


def scaled(value: Any, path: Path, by: float) -> Any:
    """The constant with one of its numbers multiplied."""
    if not path:
        return type(value)(value * by)
    at, rest_of = path[0], path[1:]
    if isinstance(value, Mapping):
        return {**value, at: scaled(value[at], rest_of, by)}
    return (*value[:at], scaled(value[at], rest_of, by), *value[at + 1 :])


def constants() -> list[tuple[ModuleType, str, Path]]:
    found: list[tuple[ModuleType, str, Path]] = []
    for module in MODULES:
        skipped = NOT_OF_A_BUDGET.get(module.__name__, set())
        own = {line.split(" ")[0].rstrip(",:") for line in _source(module) if line[:1].isupper()}
        for name, value in vars(module).items():
            if name.isupper() and name not in skipped and any(name in part for part in own | _pairs(module)):
                found += [(module, name, path) for path in leaves(value)]
    return found


def _source(module: ModuleType) -> list[str]:
    with open(str(module.__file__), encoding="utf-8") as file:
        return file.read().splitlines()


def _pairs(module: ModuleType) -> set[str]:
    """Names of "A, B = 1, 2"."""
    heads = (line.partition(" = ")[0] for line in _source(module) if line[:1].isupper() and " = " in line)
    return {name.strip() for head in heads for name in head.partition(":")[0].split(",")}


def moved(kept: dict[str, float]) -> Iterator[str]:
    """The figures that are not those that were kept, each as soon as it is found."""
    try:
        for name, value in probes():
            if value != pytest.approx(kept[name], rel=1e-6, abs=1e-12):
                yield name
    except (ValueError, ZeroDivisionError, OverflowError) as error:
        yield repr(error)


KEPT: dict[str, float] = {
    "pan u_indication_kg": 0.000874928242,
    "pan u_slope_rel": 0.00182813585,
    "pan u_creep_kg": 0.00108201841,
    "pan u_linearity_kg": 0.00386138763,
    "pan u_kg_per_c": 6.00195822e-05,
    "pan dof_slope": 2.51203148,
    "density measured": 0.0005,
    "density data sheet": 0.002,
    "density grade": 0.005,
    "density unknown": 0.0055,
    "density unknown at least": 0.005,
    "water": 0.0003,
    "slip thin 5.0": 0.0069933728,
    "slip thick 5.0": 0.00298602815,
    "slip thin 38.0": 0.0145562004,
    "slip thick 38.0": 0.00341342062,
    "slip unread": 0.00151027208,
    "metered 30.0 slip": 0.0047331036,
    "metered 30.0 K-factor": 0.004275,
    "metered 30.0 meter body": 0.001995,
    "metered 30.0 pulse count": 0.0015,
    "metered 30.0 fluid expansion": 0.00103407162,
    "metered 30.0 fluid temperature": 0.00103407162,
    "metered None fluid temperature": 0.0163591272,
    "metered None slip": 0.00430427542,
    "metered None K-factor": 0.004275,
    "metered None meter body": 0.001596,
    "metered None pulse count": 0.0015,
    "metered None fluid expansion": 0.000817956359,
    "drained fluid density": 0.015092757,
    "drained nonlinearity": 0.00228365363,
    "drained cell temperature": 0.00139732733,
    "drained scale slope": 0.00137019218,
    "drained creep and drift": 0.000548076872,
    "drained zero wander": 0.000308293241,
    "drained indication": 0.000161478697,
    "drained air density": 2.78691411e-05,
    "overflow nonlinearity": 0.00228367629,
    "overflow cell temperature": 0.00137021005,
    "overflow indication": 0.000252333312,
    "overflow fluid density": 0.000188663205,
    "overflow scale slope": 1.71275721e-05,
    "overflow creep and drift": 6.85102886e-06,
    "overflow air density": 3.51204627e-07,
    "overflow zero wander": 0,
    "alone": 0.191929509,
    "proved": 0.142092771,
    "record": 0.130446395,
    "accused": 0.877488917,
    "learned": 0.160938913,
    "container": 0.171592733,
    "pump": 0.195585186,
    "drops": 0.0176203523,
    "lip": 0.0169760964,
    "much": 0.404479187,
    "doubtful pan": 0.19986004,
    "precise pan": 0.194622859,
    "faults 2.9 misread": 10.8785079,
    "faults 2.9 misjudged": 0.3663,
    "faults 2.9 ran over early": 0.0438533989,
    "faults 2.9 misweighed": 0.109,
    "faults 2.9 other flow": 0.274,
    "faults 2.9 arrived low": -25.0661793,
    "faults 12.0 misread": 42.2232425,
    "faults 12.0 misjudged": 0.794,
    "faults 12.0 ran over early": 0.0896819182,
    "faults 12.0 misweighed": 0.2,
    "faults 12.0 other flow": 0.82,
    "faults 12.0 arrived low": -104.748981,
    "another volume, 0 fills learned from": 0.893204899,
    "another volume, 2 fills learned from": 0.580356108,
    "another volume, 9 fills learned from": 0.320493267,
    "air seen": 0.400640183,
    "heard level": 8.78474315,
    "heard stands": 8.7215043,
    "heard hose": 11.6889157,
    "heard learned pump": 11.7515135,
    "heard scale": 11.6139898,
    "heard proof": 8.72877989,
    "heard dry": 8.83098622,
    "heard barely tried": 8.88749504,
}  # fmt: skip


def test_the_figures_are_those_that_were_kept() -> None:
    assert list(moved(KEPT)) == []
    assert len(KEPT) == len(dict(probes()))


@pytest.mark.parametrize(
    ("module", "name", "path"), constants(), ids=lambda x: x.__name__ if isinstance(x, ModuleType) else str(x)
)
def test_a_constant_changed_tenfold_is_felt(
    module: ModuleType, name: str, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    value = getattr(module, name)
    for by in (10.0, 0.1):
        with monkeypatch.context() as patch:
            for other in MODULES:
                if getattr(other, name, None) is value:
                    patch.setattr(other, name, scaled(value, path, by))
            assert any(moved(KEPT)), f"{name} times {by} moves nothing"
