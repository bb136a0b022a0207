"""The bench checklist for whoever first has these parts on a real Pi: each check asked and judged, the answers in one file.

A project that nobody has run on a given board cannot know what its kernel does with a dead program's pins. The file that
comes out says it, and belongs into ``hardware/results``, where a test reads every one of them.
"""

import platform
import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal

import tomli_w
from pydantic import Field

from station.bay import identity
from station.bay.doctor import Finding
from station.common.files import read_toml
from station.common.schema import Table, read
from station.errors import InputError

Outcome = Literal["passed", "failed", "skipped"]
Ask = Callable[[str], str]
"""A question → the answer as typed; empty where the check cannot be made now."""
MODEL = Path("proc/device-tree/model")
LISTEN_S, LOOK_S = 10.0, 0.1
TRAIN = 1000
NOISE_MOST = 400
"""Counts of standard deviation: 2 g on a pan of 5 mg a count. More is a bad joint or a missing shield (common practice,
no source)."""


@dataclass(frozen=True)
class Check:
    """do: what to do and to look at. unit: what is measured, at most ``most`` of it; None where the answer is yes or no."""

    key: str
    do: str
    unit: str | None = None
    most: float = 0.0


TRAINS = tuple(
    Check(f"pulses_{hz}_hz", f"Give the meter's pin {TRAIN} pulses at {hz} a second, then press Enter", "pulses missing or too many", 0.0)
    for hz in (10, 100, 1000)
)  # fmt: skip
"""Counted by the station itself; needs a generator."""
BY_HAND = (
    Check("boot_click", "Boot, reboot and pull the Pi's plug with the pump's supply off. Did the relay stay quiet all the time?"),
    Check("kill_service_ms", "Pump on; kill -9 of the service. Milliseconds until the relay's input is low", "ms", 100),
    Check("stop_service_ms", "Pump on; kill -STOP of the service. Milliseconds until the relay's input is low", "ms", 300),
    Check("kill_guard_strict", "With strict_gpiod: pump on; kill -9 of the guard. Is the relay's input low at once?"),
    Check("kill_guard_loose_ms", "Without strict_gpiod: pump on; kill -9 of the guard. Milliseconds until the service has it low", "ms", 1000),
    Check("kill_both_ms", "Pump on; kill -9 of service and guard together. Milliseconds until the relay's input is low", "ms", 1000),
    Check("cutoff_s", "With pump_cutoff: bridge the relay's contact, pump on, let go. Seconds until the second contact opens", "s", 2),
    Check("second_service", "Start a second service. Is it turned away, and the first one undisturbed?"),
    Check("plugs", "Pull each sensor's plug in turn. Is each named on the page within 2 s, pump off, job kept?"),
    Check("timing_in_an_hour", "One hour under load (stress-ng, a browser on the page). How often did pan_state say timing?", "times", 5),
    Check("stop_button", "Press the hard-wired stop with the pump on. Off at once, shown on the page, and nothing starts on release?"),
    Check("overlay", "Does config.txt's gpio=…=op,dl hold the relay's input low from power-on? A scope or a meter shows it"),
)  # fmt: skip


class Machine(Table):
    """[machine]: what the checks were made on."""

    model: str
    system: str
    kernel: str
    python: str
    software: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    simulated: bool


class Row(Table):
    """[[check]]: measured, in unit, where something was; said: what the person added, or the doctor's text."""

    key: str
    outcome: Outcome
    measured: float | None = None
    unit: str | None = None
    said: str = ""


class Result(Table):
    """A result file."""

    date: Annotated[str, Field(pattern=r"^\d{4}-\d{2}-\d{2}$")]
    by: Annotated[str, Field(max_length=80)]
    machine: Machine
    check: tuple[Row, ...]


def read_result(path: Path) -> Result:
    """Raises InputError naming file, table and key."""
    return read(Result, read_toml(path), str(path))


def machine(simulated: bool, root: Path = Path("/")) -> Machine:
    """What this computer says of itself."""
    model = root / MODEL
    try:
        system = platform.freedesktop_os_release()["PRETTY_NAME"]
    except (OSError, KeyError):
        system = "unknown"
    return Machine(
        model=model.read_text().rstrip("\0\n") if model.exists() else platform.machine(),
        system=system,
        kernel=platform.release(),
        python=platform.python_version(),
        software=identity.of(),
        simulated=simulated,
    )


def of_findings(findings: Sequence[Finding]) -> list[Row]:
    """The doctor's findings as rows."""
    return [
        Row(key=f"doctor: {one.what}", outcome="passed" if one.ok else "failed", said=one.text)
        for one in findings
    ]


def pan_noise(heard: Callable[[], Any], key: str = "pan_noise") -> Row:
    """How much a pan's count scatters at rest. heard: the newest count. key: of the row."""
    counts = []
    until_s = time.monotonic() + LISTEN_S
    while time.monotonic() < until_s:
        counts.append(heard())
        time.sleep(LOOK_S)
    told = [float(count) for count in counts if count is not None]
    if len(set(told)) < 2:
        return Row(key=key, outcome="failed", said="the count never changed: is the converter read at all?")
    noise = statistics.stdev(told)
    return Row(key=key, outcome="passed" if noise <= NOISE_MOST else "failed", measured=round(noise, 1), unit="counts")  # fmt: skip


def trains(heard: Callable[[], Any], ask: Ask) -> list[Row]:
    """Pulses of a generator, counted by the station. heard: the meter's newest count."""
    rows = []
    for check in TRAINS:
        before = heard()
        answer = ask(f"{check.do} (s: skip)")
        after = heard()
        if answer.strip().lower() == "s" or before is None or after is None:
            rows.append(Row(key=check.key, outcome="skipped"))
            continue
        off = abs(after - before - TRAIN)
        rows.append(
            Row(key=check.key, outcome="passed" if off == 0 else "failed", measured=off, unit=check.unit)
        )
    return rows


def by_hand(ask: Ask) -> list[Row]:
    """Ask for every check that needs hands, a scope or an hour."""
    return [_judged(check, ask) for check in BY_HAND]


def _judged(check: Check, ask: Ask) -> Row:
    wanted = "yes or no" if check.unit is None else f"in {check.unit}"
    while True:
        answer, _, remark = ask(f"{check.do} ({wanted}; Enter: skip; a remark after a semicolon)").partition(
            ";"
        )
        answer, said = answer.strip().lower(), remark.strip()
        if not answer:
            return Row(key=check.key, outcome="skipped", said=said)
        if check.unit is None and answer in ("yes", "no"):
            return Row(key=check.key, outcome="passed" if answer == "yes" else "failed", said=said)
        if check.unit is not None:
            try:
                value = float(answer)
            except ValueError:
                continue
            if 0.0 <= value < 1e6:
                outcome: Outcome = "passed" if value <= check.most else "failed"
                return Row(key=check.key, outcome=outcome, measured=value, unit=check.unit, said=said)


def write(path: Path, by: str, on: Machine, rows: Sequence[Row]) -> Result:
    """Write a result file. Raises InputError where nothing can be written there."""
    result = Result(date=date.today().isoformat(), by=by, machine=on, check=tuple(rows))
    try:
        path.write_text(tomli_w.dumps(result.model_dump(exclude_none=True)), encoding="utf-8")
    except OSError as error:
        raise InputError(f"{path}: cannot be written ({error}); name another file.") from error
    return result
