"""The real service on a simulated bay, its pump on a relay that outlives it, killed or hung in the middle of a fill.

Run as a program it is that service, with a person who fills: ``python -m tests.soak.service LEDGER GUARD-COMMAND...``.
"""

import mmap
import os
import random
import signal
import subprocess
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

from station.bay.plan import PlanForm
from station.given.said import Mark
from tests.soak.proofs import Seen
from tests.soak.relay import ROOT, relay

LIMIT_S = 120.0
"""Of a trial's fill, which takes some five seconds: it waits for no service for ever."""

FORM = {
    "compartment": "b12_rear_axle",
    "drained_fluid": "gear_75w90_used",
    "fresh_fluid": "gear_75w90",
    "technician": "J. Lindqvist",
}


def _engine(ledger: Path, mirror: Path, command: list[str]) -> Any:
    from hardware import rig
    from hardware.simulated.bay import SimulatedBay
    from hardware.simulated.plant import Plant
    from station.bay.engine import Engine
    from station.given.config import demo_path, read_config
    from station.rehearsing.bench import Bench

    sys.setswitchinterval(0.001)
    if command:
        vars(rig)["guard_command"] = lambda **_: command
    config = replace(read_config(demo_path()), ledger=ledger)
    bay = SimulatedBay(Plant(), pins=config.pins)
    if command:  # the relay's contact, not the guard's own file, is what turns the plant's pump
        bay._pump_pin.close()
        mirror.write_bytes(bytes(2))
        with mirror.open("r+b") as file:
            bay._pump_pin = mmap.mmap(file.fileno(), 2)
    rig_config = rig.RigConfig("simulated", config.pins, bay=bay)
    engine = Engine(config, lambda put: rig.Rig(rig_config, put), bay.clock, Bench(bay))
    bay.start()
    return engine, bay


def main() -> None:
    """Fill until somebody ends this process; every view's metered volume is printed."""
    ledger, mirror, command = Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3:]
    engine, _ = _engine(ledger, mirror, command)

    def hang(*_: object) -> None:
        def forever(sample: object) -> tuple[()]:
            threading.Event().wait()
            return ()

        engine._loop.desk.take = forever

    signal.signal(signal.SIGUSR1, hang)

    def until(true: Any) -> None:
        while not true():
            time.sleep(0.01)

    until(lambda: engine.view().pan_g is not None)
    print("job", engine.open_job(PlanForm(**FORM)), flush=True)
    until(lambda: engine.view().stage == "plan")
    for item in engine.view().checklist:
        engine.check(item.key, True)
    for mark in (Mark.PAN_PLACED, Mark.DRAIN_OPEN, Mark.DRAIN_DONE, Mark.RESEAL_DONE):
        engine.mark(mark)
    until(lambda: "fluid_supply_c" in engine.view().temperatures_c)
    engine.note("capacity", "as listed: this drain was cut short")
    engine.mark(Mark.FILL_START)
    while True:
        view = engine.view()
        engine.hold(view.latched is None)  # a fault on a busy computer ends the hold: let go, then hold again
        print("metered", view.figures.metered_l or 0.0, int(view.pump_on), view.latched, flush=True)
        time.sleep(0.05)


def _filling_l(process: subprocess.Popen[str], enough_l: float) -> tuple[str, float, str]:
    """Listen until the pump runs with so much metered: the job, how much, its last words. None metered: it never did."""
    ends = threading.Timer(LIMIT_S, process.kill)
    ends.start()
    job_id, last = "", "not a word"
    for text in process.stdout or ():
        words, last = text.split(), text.strip()
        if words[0] == "job":
            job_id = words[1]
        elif float(words[1]) >= enough_l and words[2] == "1":
            ends.cancel()
            return job_id, float(words[1]), last
    ends.cancel()
    return job_id, 0.0, last


def service(folder: Path, trials: int, seed: int = 1) -> Seen:
    """Killed or hung at a random moment of a fill: off in time, nothing resumes, and what was metered is in the record."""
    from station.record.ledger import Ledger

    seen, rng = Seen("P1 P2 real service killed or hung: off", unit="ms"), random.Random(f"service {seed}")
    for n in range(trials):
        seen.trials += 1
        here = folder / str(n)
        here.mkdir()
        mirror = here / "mirror"
        mirror.write_bytes(bytes(2))
        with relay(here, mirror=mirror) as pin:
            ledger = here / "ledger.sqlite"
            line = [sys.executable, "-m", "tests.soak.service", str(ledger), str(mirror), *pin.command]
            said = here / "said"
            with said.open("wb") as errors:
                process = subprocess.Popen(line, cwd=ROOT, stdout=subprocess.PIPE, stderr=errors, text=True)
            pin.started.append(process)
            job_id, metered_l, at_stop = _filling_l(process, rng.uniform(0.02, 0.12))
            if not metered_l:
                process.kill()
                process.communicate()
                words = said.read_text(encoding="utf-8", errors="replace")[-1000:]
                seen.failed.append(f"trial {n}: never filled; its last words: {at_stop!r}, {words!r}")
                continue
            number, limit_ms = ((signal.SIGKILL, 100.0), (signal.SIGSTOP, 500.0), (signal.SIGUSR1, 500.0))[
                n % 3
            ]
            at_s = time.monotonic()
            process.send_signal(number)
            went = pin.wait(False, 1.5)
            took_ms = (pin.last_edge_s() - at_s) * 1000.0 if went else 1500.0
            seen.values.append(took_ms)
            process.kill()
            process.wait()
            if process.stdout is not None:
                process.stdout.close()
            edges = len(pin.edges())
            engine, bay = _engine(ledger, here / "none", [])  # the station comes back
            time.sleep(0.5)
            kept = engine.job(job_id).measured.metered_l or 0.0
            running = engine.view().pump_on
            engine.close()
            bay.close()
            whole = Ledger(ledger, read_only=True)
            broken = whole.verify()
            whole.close()
            # Samples reach the disk once a second: what flowed in the last of them may be gone with a kill.
            lost_l = metered_l - kept
            if took_ms > limit_ms or running or len(pin.edges()) != edges or broken or lost_l > 0.07:
                seen.failed.append(
                    f"trial {n} ({number.name}): {took_ms:.0f} ms, running {running}, lost {lost_l * 1000:.0f} mL, "
                    f"{broken}, {at_stop}"
                )
    return seen


if __name__ == "__main__":
    os.chdir(ROOT)
    main()
