"""What stands between the container and the plug, kept from job to job: drum, hose, and the overrun learned per fluid.

All of it is what events in the ledger add up to, so a restart loses nothing. Used from the engine's thread alone.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from calibration.budget import expanded
from hardware.sample import Sample
from station.common.digits import number
from station.common.words import _
from station.core.amounts import poured_l, turns
from station.core.state import BayState
from station.errors import InputError
from station.filling.drum import Drum
from station.filling.hose import Hose, Slug
from station.filling.limits import LIMITS as FILLING
from station.filling.overrun import Overrun, Stop
from station.given.config import BayConfig
from station.given.job import HoseHeld, JobSpec
from station.given.lines import MeterLine
from station.given.pumping import PumpLine, UsualFlow
from station.record.ledger import Ledger, now
from station.record.recorder import Recorder
from station.shop import movement

IDLE_STRAY_L = 0.018
"""Flow between jobs is told before 20 mL have run; nothing is due to come any more."""


@dataclass(frozen=True)
class Learned:
    """What is known of one fluid on this bay when a job begins."""

    overrun: Overrun = field(default_factory=Overrun)
    usual: UsualFlow = field(default_factory=UsualFlow)

    def take(self, stop: Stop, pump: PumpLine | None) -> "Learned":
        """With one more stop."""
        usual = self.usual.learn(stop.flow_l_min, pump, stop.kv_mm2_s) if stop.clean else self.usual
        return Learned(self.overrun.learn(stop), usual)

    def to_dict(self) -> dict[str, Any]:
        return {"overrun": asdict(self.overrun), "usual": asdict(self.usual)}

    @classmethod
    def from_dict(cls, table: Mapping[str, Any] | None) -> "Learned":
        """None, as records older than this have it, is what an unknown bay knows."""
        return cls() if table is None else cls(Overrun(**table["overrun"]), UsualFlow(**table["usual"]))


class SupplyBook:
    """Holds the drum at the pump, the hose's content and what was learned of each fluid's overrun."""

    def __init__(self, config: BayConfig, recorder: Recorder) -> None:
        self._config, self._recorder = config, recorder
        self._prior = Learned(Overrun(a_s=config.settings.overrun_s))
        self._learned: dict[str, Learned] = {}
        self._pump = config.pump
        self.drum: Drum | None = None
        self.hose = Hose(config.settings.hose_l)
        if config.hose_holds:
            fluid = config.fluids[config.hose_holds]
            slug = Slug(config.hose_holds, fluid.grade or "", self.hose.volume_l)
            self.hose = Hose(self.hose.volume_l, (slug,))
        self._count: int | None = None
        self._idle_l = 0.0
        self._told = False

    def read(self, ledger: Ledger) -> None:
        """Take up what the record says. A bay whose hose was changed for another begins with an unknown content."""
        # Each job writes all three anew: after a million jobs only the newest of each is worth reading, and the stops
        # since then, of which a job that was cut off may have left some.
        after = 0
        for event in ledger.shop_events("learned", newest_first=True):
            after = event["seq"]
            self._learned = {f: Learned.from_dict(table) for f, table in event["body"]["fluids"].items()}
            break
        for event in ledger.shop_events("stop", after=after):
            body = {k: v for k, v in event["body"].items() if k in Stop.__dataclass_fields__}
            self._learn(event["body"]["fluid"], Stop(**body))
        for event in ledger.shop_events("drum", newest_first=True):
            self.drum = Drum(**event["body"]["drum"])
            break
        for event in ledger.shop_events("hose", newest_first=True):
            hose = Hose.from_dict(event["body"]["hose"])
            if hose.volume_l == self.hose.volume_l:
                self.hose = hose
                break

    def learned(self, fluid: str) -> Learned:
        """What is known of a fluid's overrun and flow on this bay."""
        return self._learned.get(fluid, self._prior)

    def _learn(self, fluid: str, stop: Stop) -> None:
        self._learned[fluid] = self.learned(fluid).take(stop, self._pump)

    # --- a job ---------------------------------------------------------------------------------------------

    def prepare(self, spec: JobSpec) -> JobSpec:
        """The job with what the hose holds of another fluid, and from which container it draws."""
        hose, labels = None, dict(spec.labels)
        held_l, fluid, grade = self.hose.foreign(*_at_pump(spec))
        if held_l > 0:
            known = self._config.fluids.get(fluid)
            name = fluid if known is None else known.name or fluid
            hose = HoseHeld(held_l, name, grade)
        if self.drum is not None and not labels.get("container"):
            labels["container"] = self.drum.container
        return replace(spec, labels=labels, hose=hose)

    def opening(self) -> list[tuple[str, str]]:
        """What to feed into a job's stream at its beginning."""
        return [] if self.drum is None else [("drum", self.drum.to_text())]

    def stopped(self, job_id: str, state: BayState, stop: Stop) -> None:
        """Record a stop, and learn from it."""
        fluid = _at_pump(state.spec)[0]
        self._event("stop", {**asdict(stop), "fluid": fluid, "job_id": job_id}, state.t_s)
        self._learn(fluid, stop)

    def purged(self, job_id: str, before: BayState, state: BayState) -> None:
        """Book what a purge took: it left the container, and no compartment got it."""
        volume_l = state.supply.purged_l - before.supply.purged_l
        labels = state.spec.labels
        body = movement.Movement(
            "purge",
            _at_pump(state.spec)[0],
            volume_l,
            expanded(FILLING.u_drum_rel * volume_l),
            container=labels.get("container") if state.supply.drum is None else state.supply.drum.container,
            vehicle=labels.get("vehicle"),
            technician=labels.get("technician"),
            note=_("hose purged in job {job_id}").format(job_id=job_id),
        )
        self._event(movement.EVENT, body.to_dict(), state.t_s)

    def hose_now(self, state: BayState) -> Hose:
        """The hose as the open job's meter has left it so far; without a container entered, by the job's plan."""
        drawn = turns(state)
        hose = self.hose.pump(*_at_pump(state.spec), drawn[0][1] if drawn else state.meter.total_l)
        for drum, from_l, to_l in drawn:
            hose = hose.pump(drum.fluid, drum.grade, to_l - from_l)
        return hose

    def settle(self, job_id: str, state: BayState) -> None:
        """Bring hose and drum to where the job's meter left them."""
        self.hose = self.hose_now(state)
        if state.supply.drum is not None:
            self.drum = replace(state.supply.drum.now(state.meter.total_l), total_l=0.0)
        self._count = state.meter.last
        self._shift(job_id, state)
        self._write(job_id, state.t_s)
        if self._learned:
            fluids = {fluid: learned.to_dict() for fluid, learned in self._learned.items()}
            self._event("learned", {"fluids": fluids, "job_id": job_id}, state.t_s)

    def _shift(self, job_id: str, state: BayState) -> None:
        """Put the books right where a job drew from more containers than the one it is charged to."""
        charged, planned = state.spec.labels.get("container"), _at_pump(state.spec)[0]
        held = {drum.container: drum.fluid for drum, _from_l, _to_l in turns(state)}
        for container, volume_l in poured_l(state).items():
            if charged and container != charged:
                note = _("job {job_id} went on from {container}").format(job_id=job_id, container=container)
                gave, did_not = (
                    movement.shifted(held[container], volume_l, container, note),
                    movement.shifted(planned, -volume_l, charged, note),
                )
                self._event(movement.EVENT, gave, state.t_s)
                self._event(movement.EVENT, did_not, state.t_s)

    def connect(
        self,
        job: BayState | None,
        container: str,
        fluid: str,
        left_l: float,
        t_s: float,
        job_id: str | None = None,
    ) -> Drum:
        """Another container at the pump. left_l: what is in it. Raises InputError, leaving all as it was.

        In mid-job the one before keeps its count, the job's stream is told of the new one, and its record says so.
        """
        if fluid not in self._config.fluids:
            raise InputError(
                _("fluid is {fluid!r}; expected one of: {fluids}.").format(
                    fluid=fluid, fluids=", ".join(self._config.fluids)
                )
            )
        if not container.strip() or len(container) > 80:
            raise InputError(_("The container's name is empty or too long; it is on its label."))
        counted = movement.Movement("counted", fluid, left_l, 0.02 * left_l, container=container.strip())
        before = (
            self.drum if job is None or job.supply.drum is None else job.supply.drum.now(job.meter.total_l)
        )
        grade = self._config.fluids[fluid].grade or ""
        self.drum = Drum(container.strip(), fluid, grade, left_l, 0.01 * left_l)
        body = {"drum": asdict(self.drum), "instead_of": None if before is None else asdict(before)}
        self._event("drum", body, t_s)
        self._event(movement.EVENT, counted.to_dict(), t_s)
        if job_id is not None:
            text = _("{container} at the pump, {left_l} L of {fluid} in it").format(
                container=self.drum.container,
                left_l=number(left_l, ".1f"),
                fluid=self._config.fluids[fluid].name or fluid,
            )
            self._recorder.event(job_id, "container", {"text": text}, now(t_s))
        return self.drum

    # --- between jobs --------------------------------------------------------------------------------------

    def idle(self, sample: Sample, meter: MeterLine, may_flow: bool) -> str | None:
        """Count what passes the meter between jobs; a sentence, once, when something flows that should not.

        meter: the line in force. may_flow: a proving run pumps on purpose.
        """
        count, before = int(sample.value), self._count
        self._count = count
        if before is None or count <= before:
            return None
        moved_l = (count - before) / meter.k_factor_per_l
        if self.drum is not None:
            self.hose = self.hose.pump(self.drum.fluid, self.drum.grade, moved_l)
            self.drum = replace(self.drum.now(moved_l + self.drum.total_l), total_l=0.0)
        elif self.hose.volume_l > 0:
            self.hose = self.hose.pump("", "", moved_l)
        if may_flow:
            self._idle_l, self._told = 0.0, False
            return None
        self._idle_l += moved_l
        if self._told or self._idle_l < IDLE_STRAY_L:
            return None
        self._told = True
        self._write("", sample.t_s)
        return _("{idle_ml} mL flowed between jobs, with the pump off.").format(
            idle_ml=number(self._idle_l * 1000, ".0f")
        )

    def job_begins(self) -> None:
        """From here on the job counts."""
        self._count, self._idle_l, self._told = None, 0.0, False

    def _write(self, job_id: str, t_s: float) -> None:
        if self.hose.volume_l > 0:
            self._event("hose", {"hose": self.hose.to_dict(), "job_id": job_id}, t_s)
        if self.drum is not None:
            self._event("drum", {"drum": asdict(self.drum), "job_id": job_id}, t_s)

    def _event(self, kind: str, body: Mapping[str, Any], t_s: float) -> None:
        self._recorder.event(None, kind, dict(body), now(t_s))


def _at_pump(spec: JobSpec) -> tuple[str, str]:
    """(fluid, grade) of what the job pumps."""
    fluid = spec.labels.get("fluid") or spec.labels.get("fresh_fluid") or spec.fresh.name or ""
    return fluid, spec.fresh.grade or ""
