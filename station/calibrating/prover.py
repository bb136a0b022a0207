"""Proving runs on the stream: hold to run as in a fill, but the hose is over the pan, and the pan weighs it."""

from dataclasses import dataclass, replace

from calibration.buoyancy import air_density, mass_from_indication
from hardware.sample import Sample
from station.calibrating.calibrating import Run
from station.common.digits import number
from station.common.evolve import evolve
from station.common.words import _
from station.core.state import BayState
from station.core.step import Effect, step
from station.core.turn import Hold
from station.errors import InputError
from station.filling import metering
from station.given.job import JobSpec
from station.given.settings import Settings
from station.given.stages import Stage
from station.weighing import lines, pan
from station.weighing.limits import LIMITS as WEIGHING

CALM_U_KG = 0.0005
CALM_KG_S = 0.0003
"""A pan that gains more than this still gets fluid: from a hose that drips, or round about over a plug's lip."""
LET_GO_S = 0.5
"""A held control speaks 20 times a second: this long without a word means that it was let go."""


@dataclass(frozen=True)
class _Start:
    level: lines.Level
    t_s: float


class Prover:
    """Steps a state of its own that is always in the fill stage. spec: its capacity is the volume of one run."""

    def __init__(self, spec: JobSpec, settings: Settings) -> None:
        self.state = evolve(BayState(spec, settings), stage=Stage.FILL)
        self.runs: list[Run] = []
        self._window: tuple[tuple[float, float], ...] = ()
        self._start: _Start | None = None
        self._flows: list[float] = []
        self._held_t_s: dict[str, float] = {}

    @property
    def running(self) -> bool:
        """Whether a run has begun and was not taken yet."""
        return self._start is not None

    def take(self, sample: Sample) -> tuple[Effect, ...]:
        """Step one sample; the pump may turn only within a run."""
        if sample.source == "mark":
            return ()
        if sample.source in ("hold", "pendant"):
            self._held_t_s[sample.source] = sample.t_s if sample.value else float("-inf")
            if sample.value and not self.running:
                return ()  # a press counts within a run only; letting go always does
        self.state, effects = step(self.state, sample)
        if sample.source == "pan" and sample.value not in pan.SATURATED:
            kg = self.state.spec.pan.indicated_kg(float(sample.value))
            recent = (p for p in self._window if p[0] >= sample.t_s - WEIGHING.window_s)
            self._window = (*recent, (sample.t_s, kg))
        if self.state.pump.on and self.running:
            flow = metering.flow_l_min(self.state.meter, self.state.spec.meter.k_factor_per_l)
            if flow > 0:
                self._flows.append(flow)
        return effects

    def _level(self) -> lines.Level:
        level = lines.fit_level(self._window, self.state.t_s, self.state.spec.pan.noise_kg)
        if level is None or self.state.t_s - self._window[-1][0] > 1.0:
            raise InputError(_("There is no reading from the pan. Check the load cell before proving."))
        if level.u_kg > CALM_U_KG or len(self._window) < 20:
            raise InputError(
                _("The pan is not at rest. Keep hands and hose off it and try again in some seconds.")
            )
        if abs(level.slope_kg_s) > CALM_KG_S:
            raise InputError(
                _("The pan changes by {slope_g_s} g/s. Let everything run into it and try again.").format(
                    slope_g_s=number(level.slope_kg_s * 1000, "+.1f")
                )
            )
        return level

    def begin_run(self) -> None:
        """Take the pan's weight before a run. Raises InputError while the pan is restless or a run is open."""
        if self.running:
            raise InputError(_("A proving run is open. Take its result first."))
        state = self.state
        if any(state.t_s - held < LET_GO_S for held in self._held_t_s.values()):
            raise InputError(
                _("A control is held. Let go of page and pendant, begin the run, then press again.")
            )
        self._start = _Start(self._level(), state.t_s)
        self._flows = []
        fresh = replace(state.meter, counting=True, pulses=0, volume_l=0.0)
        self.state = evolve(state, meter=fresh, pump=evolve(state.pump, hold=Hold()))

    def end_run(self) -> Run:
        """Weigh what the run delivered. Raises InputError while fluid flows, the pan is restless, or it is too little."""
        start, state = self._start, self.state
        if start is None:
            raise InputError(_("No proving run is open. Begin one first."))
        if state.pump.hold.running or state.pump.on or state.t_s - state.meter.last_pulse_t_s < 2.0:
            raise InputError(_("Fluid still flows. Let go, wait until it stops, then take the result."))
        level, spec = self._level(), state.spec
        supply_c = state.meter.supply_c
        if supply_c is None:
            raise InputError(_("The supply's temperature is not read. Check its thermometer."))
        if state.meter.pulses < 50:
            raise InputError(
                _("Only {pulses} pulses; expected 50 at least. Let a larger volume through.").format(
                    pulses=state.meter.pulses
                )
            )
        air = air_density(
            state.hearing.temperatures_c.get("air_c", 20.0),
            spec.air.pressure_hpa * 100.0,
            spec.air.relative_humidity,
        )
        mass_kg = mass_from_indication(
            level.kg - start.level.kg, spec.fresh.density_kg_m3(supply_c), float(air)
        )
        u_kg = (level.u_kg**2 + start.level.u_kg**2) ** 0.5
        flow = sorted(self._flows)[len(self._flows) // 2] if self._flows else 0.0
        run = Run(state.meter.pulses, float(mass_kg), supply_c, flow, u_kg)
        if not run.mass_kg > 0:
            raise InputError(_("The pan gained nothing. Hang the hose over the pan."))
        self.runs.append(run)
        self.drop_run()
        return run

    def drop_run(self) -> None:
        """Forget the open run, for instance because fluid missed the pan. The caller stops the pump first."""
        self._start = None
        idle = evolve(self.state.meter, counting=False)
        self.state = evolve(self.state, meter=idle, pump=evolve(self.state.pump, hold=Hold()))
