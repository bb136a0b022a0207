"""Goals P6 to P12 as functions of a number of trials: each returns what it saw, and a test or the soak judges it.

Every proof takes a ``fault`` that may be planted in a copy of the rule, to show that the proof would see it.
"""

import random
import statistics
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Any

from hardware.sample import Sample
from station.common.evolve import evolve
from station.core.amounts import target_l
from station.core.doubts import doubts
from station.core.interlock_table import TABLE
from station.core.state import BayState
from station.core.step import Effect, step
from station.filling.overrun import Overrun
from station.given.settings import Settings
from tests.soak.fills import ZERO, Fill, fill_of, make


@dataclass
class Seen:
    """failed: one line per trial that broke the goal. values: the measured figure of each trial."""

    goal: str
    trials: int = 0
    failed: list[str] = field(default_factory=list)
    values: list[float] = field(default_factory=list)
    unit: str = "s"

    def line(self) -> str:
        """One row of the table."""
        v = sorted(self.values) or [float("nan")]
        p50, p99 = v[len(v) // 2], v[min(len(v) - 1, int(0.99 * len(v)))]
        return f"| {self.goal} | {self.trials} | {len(self.failed)} | {p50:.3g} | {p99:.3g} | {v[-1]:.3g} {self.unit} |"


def merged(parts: Iterable[Seen]) -> Seen:
    """The same proof's parts as one. Raises ValueError where there are none."""
    first, *more = parts
    for part in more:
        first.trials += part.trials
        first.failed += part.failed
        first.values += part.values
    return first


HEAD = "| goal | trials | failed | median | 99 % | worst |\n|---|---|---|---|---|---|"


@contextmanager
def without(table: dict[str, Any], *kinds: str) -> Iterator[None]:
    """Take interlocks out of a table of checks for a while."""
    taken = {kind: table.pop(kind) for kind in kinds}
    order = list(table)
    try:
        yield
    finally:
        kept = {kind: table[kind] for kind in order}
        table.clear()
        table.update({**taken, **kept})


def some_fill(seed: int, target_l: float | None = None, **more: Any) -> Fill:
    """A fill on one of many pumps."""
    rng = random.Random(f"fill {seed}")
    pump = make(seed)
    drawn_l = rng.uniform(0.6, 1.4)
    supply_c = rng.uniform(*pump.range_c)
    return fill_of(pump, seed, target_l or drawn_l, supply_c, Overrun(a_s=0.4), **more)


def running(fill: Fill, at_most_s: float) -> bool:
    """Start the pump and let it run for a random while. Returns whether it still runs."""
    fill.hold()
    fill.run_until_latched(fill.random.uniform(0.3, at_most_s))
    return fill.contact


def off_after_s(fill: Fill, within_s: float) -> float | None:
    """How long the pump's contact takes to open from now on; None where it does not."""
    t0_s = fill.t_s
    fill.run(within_s, until=lambda: not fill.contact)
    return None if fill.contact else fill.t_s - t0_s


# --- P6 the hard-wired stop, as read back --------------------------------------------------------------------------


def resumes(state: BayState, sample: Sample) -> tuple[BayState, tuple[Effect, ...]]:
    """Planted: closing the stop clears its latch."""
    state, effects = step(state, sample)
    if sample.source == "stop_open" and not sample.value:
        state = evolve(state, pump=evolve(state.pump, hold=evolve(state.pump.hold, latched=None)))
    return state, effects


def p6(seeds: range, rule: Callable[..., Any] = step) -> Seen:
    """Stopped within 200 ms, and never again before everything was let go."""
    seen = Seen("P6 stop button sensed: off", unit="s")
    for seed in seeds:
        seen.trials += 1
        fill = some_fill(seed, target_l=3.0, step=rule)
        was_on = running(fill, 4.0)
        fill.press_stop(True)
        took_s = off_after_s(fill, 1.0) if was_on else 0.0
        fill.run(fill.random.uniform(0.0, 1.0))
        if fill.random.random() < 0.5:  # let go and held again with the stop still pressed
            fill.let_go()
            fill.run(0.4)
            fill.hold()
            fill.run(0.5)
            since_s = fill.t_s
            fill.press_stop(False)
        else:
            since_s = fill.t_s
            fill.press_stop(False)
        fill.run(1.0)
        again = [t for t, on in fill.switched if on and t > since_s] or fill.contact
        fill.let_go()
        fill.run(0.5)
        fill.hold()
        fill.run(0.5)
        if took_s is None or took_s > 0.2:
            seen.failed.append(f"seed {seed}: off after {took_s}")
        elif again:
            seen.failed.append(f"seed {seed}: started again when the stop was released")
        elif not fill.contact:
            seen.failed.append(
                f"seed {seed}: does not start after all was let go: {fill.state.pump.hold.latched}"
            )
        seen.values.append(took_s if took_s is not None else 9.9)
    return seen


# --- P7 no flow ----------------------------------------------------------------------------------------------------


def p7(seeds: range) -> Seen:
    """A kinked hose or a dry drum: off within 3 s of the flow's having fallen to a tenth, and the cause named.

    A cold thick fluid in a soft hose flows on for a second or two after a kink: until then there is no "no flow".
    """
    seen = Seen("P7 no flow: off")
    for seed in seeds:
        seen.trials += 1
        fill = some_fill(seed, target_l=3.0)
        if fill.random.random() < 0.2:
            fill.line.share = 0.0  # from the start
        if not running(fill, 5.0) and fill.line.share:
            continue
        t0_s = fill.t_s if fill.line.share else fill.switched[0][0]
        tenth_l_s = 0.1 * fill.line.flow_l_s
        if fill.random.random() < 0.5:
            fill.line.share = 0.0
        else:
            fill.line.drum_l = 0.0
        while fill.line.flow_l_s > tenth_l_s and fill.contact:
            fill.tick()
            t0_s = fill.t_s
        off_after_s(fill, 5.0)
        took_s = fill.t_s - t0_s if not fill.contact else 9.9
        seen.values.append(took_s)
        if took_s > 3.0 or not {"no_flow", "flow_low"} & set(fill.notices()):
            seen.failed.append(f"seed {seed}: {took_s:.2f} s, {fill.notices()}")
    return seen


def p7_clean(seeds: range) -> Seen:
    """Clean fills, let go and held again now and then: no notice, and the target reached."""
    seen = Seen("P7 clean fills: error of the stop", unit="mL")
    for seed in seeds:
        seen.trials += 1
        fill = some_fill(seed)
        for _ in range(fill.random.randrange(3)):
            running(fill, 3.0)
            fill.let_go()
            fill.run(fill.random.uniform(0.3, 3.0))
        fill.fill()
        error_l = fill.delivered_l - target_l(fill.state)
        seen.values.append(abs(error_l) * 1000.0)
        if fill.notices() or abs(error_l) > 0.05:
            seen.failed.append(f"seed {seed}: {fill.notices()}, error {error_l * 1000:.1f} mL")
    return seen


# --- P8 flow with the pump off -------------------------------------------------------------------------------------


def p8(seeds: range) -> Seen:
    """20 mL with the pump off: told within 2 s; a welded relay is cut by the second contact as well."""
    seen = Seen("P8 flow while stopped: told, after 20 mL")
    for seed in seeds:
        seen.trials += 1
        fill = some_fill(seed, target_l=3.0)
        running(fill, 4.0)
        kind = fill.random.choice(("welded", "siphon", "siphon later"))
        if kind == "welded":
            fill.line.welded = True
            fill.let_go()
            fill.run_until_released(0.3)
            from_l = fill.line.metered_l
        else:
            fill.let_go()
            fill.run(5.0 if kind == "siphon later" else 0.5)
            fill.line.siphon_l_s = fill.random.uniform(0.0005, 0.04)
            # What the pump's own stop still brings is no siphon: count from where only the siphon is left.
            fill.run(5.0, until=lambda line=fill.line: line.flow_l_s <= 1.02 * line.siphon_l_s)  # type: ignore[misc]
            from_l = fill.line.metered_l
        t20_s = None
        for _ in range(6000):
            fill.tick()
            if t20_s is None and fill.line.metered_l - from_l >= 0.020:
                t20_s = fill.t_s
            told_s = fill.told_s("flow_while_stopped")
            if t20_s is not None and (told_s is not None or fill.t_s - t20_s > 3.0):
                break
        took_s = 9.9 if told_s is None or t20_s is None else max(0.0, told_s - t20_s)
        seen.values.append(took_s)
        fill.run(0.5)
        if took_s > 2.0 or (kind == "welded" and fill.contact):
            seen.failed.append(f"seed {seed}: {kind}, {took_s:.2f} s, {fill.notices()}")
    return seen


# --- P9 too long ---------------------------------------------------------------------------------------------------


@dataclass
class WallClock:
    """Planted: times by a clock that somebody sets back by an hour in mid-run."""

    back_at_s: float = 104.0

    def __call__(self, state: BayState, sample: Sample) -> tuple[BayState, tuple[Effect, ...]]:
        t_s = sample.t_s if sample.t_s < self.back_at_s else sample.t_s - 3600.0
        return step(state, sample._replace(t_s=t_s))


def p9(seeds: range, rule: Callable[..., Any] = step) -> Seen:
    """A slow pump is off by min(1.5 × the expected time, the hard cap): value is off time over that limit."""
    seen = Seen("P9 running too long: off, of its limit", unit="×")
    for seed in seeds:
        seen.trials += 1
        rng = random.Random(f"slow {seed}")
        cap_s = rng.choice((900.0, 12.0))
        fill = some_fill(seed, target_l=rng.uniform(1.6, 2.6), bay=Settings(run_longest_s=cap_s), step=rule)
        pump, expected_l = fill.spec.pump, target_l(fill.state)
        assert pump is not None
        assert expected_l is not None
        fill.line.share = rng.choice((0.2, 0.61))
        if fill.line.share > 0.5:  # the pump is as its line says, so only its share makes it slow
            fill.line._s = replace(  # type: ignore[type-var]
                fill.line._s,
                pump_l_min=pump.flow_l_min,
                pump_kv_half_mm2_s=pump.kv_half_mm2_s,
            )
        can = pump.flow_at_l_min(fill.kv)
        assert can is not None
        limit_s = min(1.5 * (expected_l / can * 60.0 + 2.0), cap_s)
        fill.hold()
        fill.run(0.1)
        off = off_after_s(fill, 2.0 * limit_s + 5.0)
        share = 9.9 if off is None else off / limit_s
        seen.values.append(share)
        kinds = set(fill.notices())
        if share > 1.02 or not kinds & {"too_long", "flow_low", "no_flow"}:
            seen.failed.append(f"seed {seed}: off after {off}, limit {limit_s:.1f} s, {kinds}")
    return seen


# --- P10 overfill --------------------------------------------------------------------------------------------------

FAULTS = (
    "kink dry air meter_dead meter_half meter_noise meter_silent pan_gone pan_silent supply_silent supply_fahrenheit "
    "siphon weak trains hand stuck_latency"
).split()


def plant(fill: Fill, fault: str) -> None:  # noqa: C901  # one short branch per fault, nothing else
    """Break one thing."""
    rng, line = fill.random, fill.line
    if fault == "kink":
        line.share = rng.choice((0.0, 0.1))
    elif fault == "dry":
        line.drum_l = min(line.drum_l, rng.uniform(0.0, 0.1))
    elif fault == "air":
        line.suck_air(rng.uniform(0.01, 0.15))
    elif fault == "meter_dead":
        line.counted = 0.0
    elif fault == "meter_half":
        line.counted = 0.5
    elif fault == "meter_noise":
        line.extra_hz = rng.uniform(5.0, 200.0)
    elif fault == "meter_silent":
        fill.tamper["meter"] = lambda value, t_s: None
    elif fault == "pan_gone":
        fill.extra_pan_kg = -1.6
    elif fault == "pan_silent":
        fill.tamper["pan"] = lambda value, t_s: None
    elif fault == "supply_silent":
        fill.tamper["fluid_supply_c"] = lambda value, t_s: None
    elif fault == "supply_fahrenheit":
        fill.tamper["fluid_supply_c"] = lambda value, t_s: value * 1.8 + 32.0
    elif fault == "siphon":
        line.siphon_l_s = rng.uniform(0.001, 0.01)
    elif fault == "weak":
        line.share = rng.uniform(0.4, 0.9)
    elif fault == "trains":
        line.counted_b = rng.uniform(0.5, 0.97)
    elif fault == "hand":
        fill.let_go()
        fill.run(rng.uniform(0.3, 2.0))
        fill.hold()
    elif fault == "stuck_latency":
        fill.latency_s = (0.1, 0.25)


def p10(seeds: range) -> Seen:
    """Up to three faults at random moments, and a person who tries once more: how much more was pumped than asked for."""
    seen = Seen("P10 overfill under fault mixes", unit="mL over")
    for seed in seeds:
        seen.trials += 1
        fill = some_fill(seed, two_trains=seed % 3 == 0)
        asked_l = target_l(fill.state)
        mix = _with_faults(fill, 3)
        over_l = fill.delivered_l - asked_l
        seen.values.append(max(0.0, over_l) * 1000.0)
        if over_l > max(0.02 * asked_l, 0.1) or fill.contact:
            seen.failed.append(f"seed {seed}: {over_l * 1000:.0f} mL over, {mix}, {fill.notices()}")
    return seen


ROOM_OVER_L = 0.3
"""Nobody knows the free room before it runs over at the plug, so some millilitres more are always pumped."""


def p10_room(seeds: range) -> Seen:
    """A compartment with less room than the target, and up to one fault: how much more was pumped than it holds."""
    seen = Seen("P10 beyond the free room", unit="mL over")
    for seed in seeds:
        seen.trials += 1
        fill = some_fill(seed)
        fill.room_l = target_l(fill.state) * fill.random.uniform(0.3, 0.9)
        mix = _with_faults(fill, fill.random.randint(0, 1))
        over_l = fill.delivered_l - fill.room_l
        seen.values.append(max(0.0, over_l) * 1000.0)
        if over_l > ROOM_OVER_L or fill.contact:
            seen.failed.append(f"seed {seed}: {over_l * 1000:.0f} mL over, {mix}, {fill.notices()}")
    return seen


def _with_faults(fill: Fill, most: int) -> list[str]:
    """Hold, break up to so many things, and try once more, unless the target is reached or fluid stands at the plug."""
    mix = fill.random.sample(FAULTS, fill.random.randint(min(1, most), most))
    fill.hold()
    for fault in mix:
        fill.run_until_latched(fill.random.uniform(0.2, 12.0))
        plant(fill, fault)
    for tries in range(2):
        fill.run_until_latched(300.0)
        done = fill.state.pump.hold.latched in ("target reached", TABLE["runs_over"].word)
        fill.let_go()
        fill.run(3.0)
        fill.line.siphon_l_s = 0.0  # the alarm was heard, and the valve closed
        if done or tries:
            break
        fill.hold()
    return mix


# --- P11 sensors ---------------------------------------------------------------------------------------------------

ODD: dict[str, tuple[float, float]] = {
    "meter": (400.0, 0.2642),
    "pan": (420_000.0, 2.2046),
    "fluid_supply_c": (25.0, 1.8),
}
"""By how much a spike or a jump is off, and the factor of a wrong unit: gallons, pounds, degrees Fahrenheit (+ 32)."""
KINDS = ("dead", "stuck", "nan", "spike", "jump", "slow", "wrong unit")
UNSEEN = {
    (
        "fluid_supply_c",
        "stuck",
    ): "a container's temperature is constant: nothing tells it from a stuck thermometer",
}


def tampered(source: str, kind: str, from_s: float) -> Callable[[float, float], float | None]:
    """What becomes of a sensor's values from a moment on."""
    off, factor = ODD[source]
    kept: list[float] = []
    sent: list[float] = [from_s - 9.0]

    def change(value: float, t_s: float) -> float | None:
        kept.append(value)
        if kind == "stuck":
            return kept[0]
        if kind == "nan":
            return float("nan")
        if kind == "spike":
            return value + off if len(kept) == 1 else value
        if kind == "jump":
            return value + off
        if kind == "slow":
            if t_s - sent[0] < 1.5:
                return None
            sent[0] = t_s
            return value
        if kind == "wrong unit":
            base = ZERO if source == "pan" else 0.0
            return (value - base) * factor + base + (32.0 if source == "fluid_supply_c" else 0.0)
        return None

    return change


def p11(seeds: range) -> dict[tuple[str, str], list[float]]:
    """(sensor, fault) → seconds until the pump was off or the fault told; infinite where neither came in 12 s."""
    took: dict[tuple[str, str], list[float]] = {}
    for source in ODD:
        for kind in KINDS:
            for seed in seeds:
                fill = some_fill(seed, target_l=4.0)
                fill.hold()
                fill.run(4.0)
                known, t0_s = len(fill.state.telling.notices), fill.t_s
                change = tampered(source, kind, t0_s)
                fill.tamper[source] = change if source == "fluid_supply_c" else _whole(change)
                fill.run(12.0, until=_told_or_off(fill, known))
                seen = _told_or_off(fill, known)()
                took.setdefault((source, kind), []).append(fill.t_s - t0_s if seen else float("inf"))
    return took


def _whole(change: Callable[[float, float], float | None]) -> Callable[[float, float], float | None]:
    def whole(value: float, t_s: float) -> float | None:
        changed = change(value, t_s)
        return changed if changed is None or changed != changed else round(changed)

    return whole


def _told_or_off(fill: Fill, known: int) -> Callable[[], bool]:
    return lambda: not fill.contact or len(fill.state.telling.notices) > known or bool(doubts(fill.state))


def p11_lines(took: dict[tuple[str, str], list[float]]) -> Iterator[str]:
    """Sensor by fault, worst time."""
    yield "| sensor | " + " | ".join(KINDS) + " |\n|---" * 1 + "|---" * len(KINDS) + "|"
    for source in ODD:
        cells = []
        for kind in KINDS:
            worst = max(took[source, kind])
            cells.append("not seen" if worst == float("inf") else f"{worst:.2f} s")
        yield f"| {source} | " + " | ".join(cells) + " |"


# --- P12 overrun ---------------------------------------------------------------------------------------------------


def p12(seeds: range, fills: int = 9, learned_after: int = 5) -> tuple[Seen, list[list[float]]]:
    """The stop's error in mL after five fills of learning, and by fill. Fluids thin and warm to thick and cold."""
    seen = Seen("P12 error of the stop after 5 fills", unit="mL")
    by_fill: list[list[float]] = [[] for _ in range(fills)]
    for seed in seeds:
        pump, overrun = make(seed), Overrun()
        rng = random.Random(f"learn {seed}")
        for k in range(fills):
            fill = fill_of(pump, 1000 * seed + k, rng.uniform(0.6, 1.4), rng.uniform(*pump.range_c), overrun)
            fill.fill()
            overrun = fill.state.pump.overrun
            error_ml = (fill.delivered_l - target_l(fill.state)) * 1000.0
            by_fill[k].append(error_ml)
            if k >= learned_after:
                seen.trials += 1
                seen.values.append(abs(error_ml))
                if abs(error_ml) > 10.0:
                    seen.failed.append(
                        f"seed {seed} fill {k}: {error_ml:.1f} mL, {pump.fluid} at {fill.supply_c:.0f} °C"
                    )
    return seen, by_fill


def by_fill_lines(by_fill: list[list[float]]) -> Iterator[str]:
    """The learning, fill by fill."""
    yield "| fill | mean | standard deviation | beyond 10 mL |\n|---|---|---|---|"
    for k, errors in enumerate(by_fill):
        beyond = sum(abs(e) > 10.0 for e in errors) / len(errors)
        yield f"| {k + 1} | {statistics.mean(errors):+.1f} mL | {statistics.pstdev(errors):.1f} mL | {100 * beyond:.1f} % |"
