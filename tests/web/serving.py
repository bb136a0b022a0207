"""Serve the pages over the double until told to stop: ``python -m tests.web.serving [SAMPLES]``. A view goes out every 50 ms.

A mark sets the stage that is shown, so that a browser can look at each of them. SAMPLES: of the pan, in each job's curve.
"""

import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

from station.calibrating.calibrating import Run
from station.given.pump_run import PumpRun
from station.given.report import Told
from station.people.access import Access
from station.record.archive import Entry, JobRecord
from station.record.ledger import Ledger
from tests.station.calibrating.test_density_desk import Bench, whole
from tests.web.fake_desks import READING, calibration_of
from tests.web.fake_engine import FakeEngine, job_record, measuring
from tests.web.fake_views import JOB_ID, pan_row, view_of
from tests.web.long_curve import JOB_TOML, samples
from web.server import serve

CROWDED = "20261125-235959-crowded"
"""A job with as much on its sheet as a sheet can be asked to hold."""


MOMENTS = {"drip over": view_of("drip", wait_s=0.0)}
"""What a note asks for beside the stages: one moment of one."""
RUN = Run(pulses=201, mass_kg=0.4355, temperature_c=15.0, flow_l_min=2.4, u_mass_kg=0.0001)
DESKS = {
    "no desk": calibration_of(),
    "pan desk": calibration_of("pan", readings=(READING, replace(READING, load_kg=1.0))),
    "meter desk": calibration_of("meter", runs=(RUN, replace(RUN, pulses=202)), run_open=True),
    "density desk": calibration_of(density=whole(Bench()).desk.view()),
}
"""A note may begin a calibration, too."""


class Showing(FakeEngine):
    stage = "fill"
    pan_samples = 20_000

    def job_toml(self, job_id: str) -> str:
        return JOB_TOML.read_text()

    @contextmanager
    def reading(self) -> Iterator[Ledger]:
        with super().reading() as ledger:
            ledger.samples = lambda job_id: list(samples(self.pan_samples))  # type: ignore[method-assign]
            yield ledger

    def note(self, kind: str, text: str) -> None:
        if text in DESKS:
            self.calibrations.current = DESKS[text]
        else:
            self.stage = text


def crowded() -> JobRecord:
    long = "Thermometer, supply: no reading for 12.4 s. Check its cable and connector. " * 4
    record = measuring(
        job_record(CROWDED),
        pump_runs=tuple(PumpRun(float(n), 1.0, 1.02, 2.88, "stopped at the page") for n in range(5)),
        notices=tuple(Told("silent", long, float(n)) for n in range(12)),
        steps=tuple(
            pan_row(
                "gulp" if n % 3 else "object",
                id=f"s{n}",
                kg=-1.234,
                says="fluid" if n % 2 else None,
                counted_kg=float(n % 3),
            )
            for n in range(12)
        ),
    )
    labels = {name: f"{text}, with a long addition to its name" for name, text in record.labels.items()}
    return replace(record, labels=labels, events=(Entry(record.opened_utc, "note", f"torque: {long}"),) * 9)


def main() -> None:
    engine = Showing(view_of("fill"), jobs=60)
    engine.pan_samples = int(sys.argv[1]) if sys.argv[1:] else Showing.pan_samples
    engine.records |= {CROWDED: crowded(), JOB_ID: job_record()}
    over = threading.Event()

    def publish() -> None:
        while not over.wait(0.05):
            engine.publish(MOMENTS.get(engine.stage) or view_of(engine.stage))

    thread = threading.Thread(target=publish)
    thread.start()
    try:
        serve(engine, Access(None), "127.0.0.1", 0)
    finally:
        over.set()
        thread.join()
    print(f"closed, {engine.subscribers} subscribers", flush=True)


if __name__ == "__main__":
    main()
