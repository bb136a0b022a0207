"""What the pump's control says of fills of every kind, each as one number: the rest of what ``test_limits`` feels with.

The pump here is a flow that follows the command three tenths of a second late: enough to feel a number by, and no plant.
"""

# ruff: noqa: B023 (a probe is called before the loop goes on)

import math
from collections.abc import Callable, Iterator, Mapping
from functools import partial
from typing import Any

from hardware.sample import Sample
from station.common.evolve import evolve
from station.core import amounts, doubts
from station.core.notice import Notice
from station.core.state import BayState
from station.core.step import PumpCommand, step
from station.filling.drum import Drum
from station.filling.overrun import Stop
from station.given.job import JobSpec
from station.given.pumping import PumpLine
from tests.station.figures import test_constants as budgets

BEGINS_S = 4.0
Probes = Iterator[tuple[str, Callable[[], float]]]
"""Name and what to call for its figure, to be called before the next one is taken: loop variables are in it."""
Told = Callable[[float], Any]


def half_litre(**more: Any) -> JobSpec:
    return evolve(
        budgets.spec(), capacity_l=0.5, retained_l=0.0, pump=PumpLine(3.2, kv_half_mm2_s=1e5), **more
    )


def filled(
    flow: Told = lambda t: 3.0,
    until_s: float = 16.0,
    pan_kg: Callable[[float, float], float] = lambda t, litres: 0.0,
    held: Told = lambda t: True,
    said: Mapping[float, tuple[str, Any]] | None = None,
    deaf: Told = lambda t: False,
    relay: Told = lambda t: True,
    second: Told | None = None,
    spec: JobSpec | None = None,
    meter_every: int = 1,
    siphon: Told = lambda t: 0.0,
) -> float:
    """A fill of half a litre. flow: L/min over s since it began, while the pump is told to run; siphon: while it is not.

    deaf: no meter's reading. relay: follows the command, or stays on.
    """
    state, told, litres, on = BayState(spec or half_litre()), 0.0, 0.0, [False] * 4
    words = ("pan_placed", "drain_open", "drain_done", "reseal_done", "fill_start")
    rows = [Sample(1.0 + 0.1 * i, "mark", word) for i, word in enumerate(words)]
    rows += [Sample(0.1 * i, "pan", 1000 + i % 3) for i in range(40)]
    rows += [
        Sample(0.05, "fluid_supply_c", 20.0),
        Sample(0.06, "fluid_drained_c", 30.0),
        Sample(0.07, "meter", 0),
    ]
    rows.sort(key=lambda sample: sample.t_s)

    def take(t_s: float, source: str, value: Any) -> None:
        nonlocal state, told
        state, effects = step(state, Sample(t_s, source, value))
        for effect in effects:
            if isinstance(effect, PumpCommand):
                on[-1] = effect.run
                told += t_s * (1.0 + effect.run)
            elif isinstance(effect, Stop):
                told += 1e3 * (effect.final_l + effect.cut_off_l + effect.forecast_l) + 5.0 * effect.clean
            elif isinstance(effect, Notice):
                told += 0.1 * t_s * len(effect.kind)

    for row in rows:
        take(row.t_s, row.source, row.value)
    seen = False
    for i in range(1, round(until_s * 10)):
        s, t_s = i / 10.0, BEGINS_S + i / 10.0
        on[:] = [*on[1:], on[-1]]
        running = on[0] or not relay(s)
        litres += (flow(s) if running else siphon(s)) / 600.0
        if running != seen:
            seen = running
            take(t_s, "pump", int(running))
        if not deaf(s) and i % meter_every == 0:
            take(t_s + 0.01, "meter", int(litres * 400.0))
            if second is not None:
                take(t_s + 0.02, "meter_b", int(litres * 400.0 * second(s)))
        take(t_s + 0.03, "pan", 1000 + i % 3 + round(pan_kg(s, litres) / 4e-6))
        if i % 20 == 0:
            take(t_s + 0.04, "fluid_supply_c", 20.0)
        for at_s, (source, value) in (said or {}).items():
            if abs(at_s - s) < 0.04:
                take(t_s + 0.05, source, value)
        if held(s):
            take(t_s + 0.06, "hold", True)
        take(t_s + 0.07, "tick", 0)
        told += 3.0 * len(doubts.doubts(state))
    return told + 1e3 * (state.meter.volume_l + state.pump.hold.unsure_l + state.pump.overrun.a_s)


def _from(flow_l_min: float, from_s: float, t_s: float) -> float:
    return flow_l_min if t_s > from_s else 0.0


def interlocks() -> Probes:
    yield "fill", lambda: filled()
    yield "slow", lambda: filled(lambda t: 1.5)
    yield "slower", lambda: filled(lambda t: 3.0 if t < 2.5 else 1.0, 12.0)
    yield "very slow", lambda: filled(lambda t: 0.4, 30.0)
    yield "kink", lambda: filled(lambda t: 3.0 if t < 5.0 else 0.0, 20.0, held=lambda t: t % 9.0 < 8.0)
    yield "late start", lambda: filled(lambda t: 3.0 if t > 1.2 else 0.0)
    yield "one gap", lambda: filled(lambda t: 0.0 if 5.0 < t < 5.6 else 3.0)
    yield "deaf for a moment", lambda: filled(deaf=lambda t: 5.0 < t < 5.7)
    yield "deaf", lambda: filled(deaf=lambda t: t > 5.0)
    yield "leap", lambda: filled(lambda t: 90.0 if 5.0 < t < 5.15 else 3.0)
    yield "small leap", lambda: filled(lambda t: 30.0 if 5.0 < t < 5.15 else 3.0)
    yield "trains apart", lambda: filled(second=lambda t: 1.0 if t < 4.0 else 0.9)
    yield "trains apart a moment", lambda: filled(second=lambda t: 0.9 if 4.0 < t < 4.5 else 1.0)
    yield "siphon", lambda: filled(lambda t: 3.0 if t < 11.0 else 0.4, relay=lambda t: t < 9.0)
    yield "welded", lambda: filled(relay=lambda t: t < 5.0, until_s=20.0, held=lambda t: t < 8.0)
    yield "drips on", lambda: filled(lambda t: 3.0, relay=lambda t: not 10.6 < t < 10.9, until_s=18.0)
    yield "pan taken", lambda: filled(pan_kg=lambda t, litres: -0.4 if t > 4.0 else 0.0)
    yield "pan lighter", lambda: filled(pan_kg=lambda t, litres: -0.1 if t > 4.0 else 0.0)
    yield "runs over the lip", lambda: filled(pan_kg=lambda t, litres: 0.9 * max(0.0, litres - 0.2))
    yield "laid in", lambda: filled(pan_kg=lambda t, litres: 0.1 if t > 5.0 else 0.0)
    yield "warms", lambda: filled(said={4.0: ("fluid_supply_c", 31.0), 6.0: ("fluid_supply_c", 33.0)})
    empty = Drum("drum", "f", "g", 0.6, 0.0).to_text()
    yield (
        "drum at the pump",
        lambda: filled(lambda t: 3.0 if t < 5.0 else 0.0, said={0.1: ("drum", empty)}, spec=half_litre()),
    )
    yield "converter late", lambda: filled(said={4.0: ("pan_state", "timing"), 7.0: ("pan_state", "ok")})
    yield "meter polled slowly", lambda: filled(meter_every=4)
    for leak_l_min in (0.3, 3.0):
        for from_s in (0.0, 10.6, 13.0):
            leaks = partial(_from, leak_l_min, from_s)
            yield f"siphon {leak_l_min} {from_s}", lambda: filled(siphon=leaks, held=lambda t: 1.0 < t < 14.0)
    yield "siphon, polled slowly", lambda: filled(siphon=lambda t: 3.0 if t > 10.6 else 0.0, meter_every=4)
    yield (
        "a gush after the stop",
        lambda: filled(
            siphon=lambda t: 4.0 if 10.6 < t < 11.8 else 0.0, until_s=20.0, held=lambda t: t < 14.0
        ),
    )


def stops() -> Probes:
    yield "let go", lambda: filled(held=lambda t: t < 5.0)
    yield "let go soon", lambda: filled(held=lambda t: t < 2.0)
    yield (
        "top-up",
        lambda: filled(said={13.0: ("top_up", 0.05)}, held=lambda t: t < 12.0 or t > 14.0, until_s=22.0),
    )
    yield (
        "two speeds",
        lambda: filled(
            lambda t: 3.0 if t < 8.0 else 0.9,
            spec=evolve(half_litre(), pump=PumpLine(3.2, kv_half_mm2_s=1e5, fine_share=0.3, fine_l=0.1)),
        ),
    )
    yield (
        "shaken",
        lambda: filled(pan_kg=lambda t, litres: 0.01 * math.sin(9.0 * t) if 3.0 < t < 6.0 else 0.0),
    )
    yield "dribbles over", lambda: filled(pan_kg=lambda t, litres: 0.02 if t > 12.0 else 0.0, until_s=24.0)
    yield "drops over", lambda: filled(pan_kg=lambda t, litres: 0.002 * max(0.0, t - 8.0), until_s=14.0)


def seen_stands(seen_cl: int) -> bool:
    """Whether a level that was seen at so many hundredths of a litre stands once half a litre is in."""
    state = BayState(half_litre())
    return amounts.level_seen(
        evolve(
            state,
            said=evolve(state.said, marks=(("level_seen", 0.0),)),
            fill=evolve(state.fill, seen_l=seen_cl / 100.0),
            meter=evolve(state.meter, volume_l=0.5),
        )
    )


def lip_proofs() -> Probes:
    def proved(over_l: float, **more: Any) -> float:
        said = {13.0: ("mark", "lip_proof")}
        return filled(
            said=said, held=lambda t: t < 12.0 or t > 14.0, until_s=more.pop("until_s", 60.0),
            pan_kg=more.pop("pan_kg", lambda t, litres: 0.88 * max(0.0, litres - over_l)), **more,
        )  # fmt: skip

    yield "over at once", lambda: proved(0.49)
    yield "over after a while", lambda: proved(0.54)
    yield "never over", lambda: proved(9.0, until_s=90.0)
    yield (
        "dribbles",
        lambda: proved(
            0.52, pan_kg=lambda t, litres: 0.88 * max(0.0, litres - 0.52) + 4e-4 * max(0.0, t - 20.0)
        ),
    )
    yield (
        "never at rest",
        lambda: proved(
            9.0, pan_kg=lambda t, litres: 0.003 * math.sin(2.5 * t) if t > 12.0 else 0.0, until_s=90.0
        ),
    )
    yield "meter loses", lambda: proved(0.52, flow=lambda t: 3.0 if t < 13.0 else 0.7)
    yield "seen early", lambda: float(sum(map(seen_stands, range(50))))
    yield "thing laid in", lambda: proved(9.0, pan_kg=lambda t, litres: 0.06 if t > 24.0 else 0.0)
