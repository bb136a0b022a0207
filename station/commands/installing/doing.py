"""Installing, renewing and taking away, as they are asked for: what is there is looked at, a plan made, shown and carried out."""

import argparse
import os
import sys
import tomllib
from collections.abc import Sequence
from pathlib import Path

from hardware.errors import HardwareError
from station.commands.installing import bay_file, places, plan
from station.commands.installing.bay_file import Said
from station.commands.installing.plan import Failed, Plan, Wishes
from station.commands.installing.shell import Shell, checks, job_is_open, run_it
from station.commands.installing.steps import Step, Write
from station.commands.installing.system import System, at, look
from station.errors import InputError, StationError

DONE, FAILED = 0, 1
HOUSE = Path(__file__).resolve().parents[3]


def install(options: argparse.Namespace) -> int:
    system = look(options.root)
    plan.fit(system)  # before anybody answers a question
    version = _version()
    owner = options.owner
    if options.bay is not None:
        text, source = _read(options.bay), str(options.bay)
    elif system.bay_file:
        text, source = _read(at(system.root, places.BAY_FILE)), str(places.BAY_FILE)
        print(f"{places.BAY_FILE} is there and is kept.")
        if system.sensors and not options.yes and not bay_file.said(text, source).named:
            print("Thermometers are plugged in, and the file names none of them.")
            text = bay_file.with_thermometers(text, bay_file.named(_ask, system.sensors, print))
    else:
        answers = bay_file.asked(_ask, system.host, system.sensors, print)
        text, source = bay_file.text_of(answers), "the bay's file"
        if answers.names and owner is None:
            owner = _ask("Who is the owner, who enters everybody else?", "") or None
    wishes = Wishes(
        HOUSE, version, text, bay_file.said(text, source), owner, not options.leave_boot_file, options.wheels
    )
    whole = plan.install(system, wishes)
    if not _agreed(options, whole):
        return DONE if options.dry_run else FAILED
    _carry_out(Shell(system), whole.steps)
    _say_notes(whole)
    return DONE


def update(options: argparse.Namespace) -> int:
    system = look(options.root)
    if not system.bay_file:
        raise InputError("no station is installed here; tallypan install does that.")
    text = _read(at(system.root, places.BAY_FILE))
    said = bay_file.said(text, str(places.BAY_FILE))
    address = plan.health_address(said)
    if system.native and not options.during_a_job and job_is_open(address):
        raise InputError(
            "a job is open, and restarting stops its pump; close it first, or add --during-a-job."
        )
    if options.back:
        _still_writable(system)
        whole = plan.back(system, _unit_of(system, system.previous), said)
        if not _agreed(options, whole):
            return DONE if options.dry_run else FAILED
        _carry_out(Shell(system), whole.steps)
        return DONE
    before = checks(address) if system.native else None
    well = [name for name, ok in (before or {}).items() if ok]
    wishes = Wishes(HOUSE, _version(), text, said, wheels=options.wheels)
    whole = plan.update(system, wishes, well)
    if not _agreed(options, whole):
        return DONE if options.dry_run else FAILED
    _renew(system, whole, said, well)
    _say_notes(whole)
    return DONE


def _renew(system: System, whole: Plan, said: Said, well: Sequence[str]) -> None:
    """Carry an update out; go back where the new version is not well. Raises StationError after that."""
    unit = at(system.root, places.UNIT)
    before = unit.read_text(encoding="utf-8") if unit.exists() else ""
    shell = Shell(system, run_it)
    try:
        _carry_out(shell, whole.steps)
    except (StationError, HardwareError, OSError) as error:
        now = look(system.root)
        if now.current == system.current:
            if before:
                shell.do(Write(places.UNIT, before, "the service as it was"))
            raise StationError(f"{error} Nothing was changed; {system.current} runs on.") from error
        print(f"{error}\nBack to {system.current}:", file=sys.stderr)
        _carry_out(shell, plan.back(now, before, said, Failed(system, tuple(well))).steps)
        raise StationError(f"the new version was not well, and {system.current} runs again.") from error


def uninstall(options: argparse.Namespace) -> int:
    system = look(options.root)
    whole = plan.uninstall(system)
    if not _agreed(options, whole):
        return DONE if options.dry_run else FAILED
    _carry_out(Shell(system), whole.steps)
    _say_notes(whole)
    return DONE


def _still_writable(system: System) -> None:
    """Raises InputError where the release that runs has brought the record to a form that the one before cannot write."""
    since_s = at(system.root, places.CURRENT).lstat().st_mtime if system.current else 0.0
    state = at(system.root, places.STATE)
    copies = sorted(one for one in state.glob("*-version-*.sqlite") if one.stat().st_mtime >= since_s)
    if copies:
        raise InputError(
            f"{system.current} brought the record to a newer form, which {system.previous} cannot write. What it was before "
            f"is {copies[0]}; to go back to that, and keep what came since in a file of its own, stop the service and run "
            f"tallypan restore {copies[0]} --config {places.BAY_FILE} first, then move that copy elsewhere."
        )


def _unit_of(system: System, release: str | None) -> str:
    if release is None:
        raise InputError("there is no earlier release to go back to.")
    return _read(at(system.root, places.RELEASES / release / places.UNIT_COPY))


def _version() -> str:
    """Of the station whose folder this runs from. Raises InputError where that is an installed one."""
    project = HOUSE / "pyproject.toml"
    if not project.exists() or not (HOUSE / "requirements.lock").exists():
        raise InputError(
            "this is the installed station; run it from the folder of the version that shall be installed: "
            "sudo python3 -m station install, or update."
        )
    return str(tomllib.loads(project.read_text(encoding="utf-8"))["project"]["version"])


def _read(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot be read ({error}); expected a UTF-8 text file.") from error


def _ask(question: str, default: str) -> str:
    shown = f" [{default}]" if default else ""
    try:
        return input(f"{question}{shown} ").strip() or default
    except EOFError:
        raise InputError(
            "nobody is there to answer; name the bay's file with --from, and add --yes."
        ) from None


def _agreed(options: argparse.Namespace, whole: Plan) -> bool:
    """Show the plan; whether it shall be carried out. Raises InputError where this person may not."""
    for number, step in enumerate(whole.steps, 1):
        print(f"{number:3d}. {step.says()}")
    if options.dry_run:
        _say_notes(whole)
        return False
    if options.root == Path("/") and os.geteuid() != 0:
        raise InputError("this changes the system and needs its rights: sudo.")
    return bool(options.yes) or _ask("Do this? (yes, no)", "no").lower() in ("y", "yes")


def _carry_out(shell: Shell, steps: Sequence[Step]) -> None:
    for number, step in enumerate(steps, 1):
        print(f"{number} of {len(steps)}: {step.says()}", flush=True)
        try:
            shell.do(step)
        except OSError as error:
            raise StationError(
                f"step {number} could not be done ({error}); mend that and begin again."
            ) from error


def _say_notes(whole: Plan) -> None:
    for note in whole.notes:
        print(note)
