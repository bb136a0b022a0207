"""The command line, and the one place where hardware, station and pages are joined."""

import argparse
import contextlib
import json
import os
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo, available_timezones

from hardware.errors import HardwareError
from station.commands import add as add_commands
from station.errors import InputError, StationError
from web.jobs.command import add as add_sheet

if TYPE_CHECKING:
    from station.given.report import Report

DONE, FAILED, WRONG_USE = 0, 1, 2


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; its exit status: 0 done, 1 failed, 2 wrong use."""
    parser = _parser()
    options = parser.parse_args(arguments)
    run: Callable[[argparse.Namespace], int] = options.run
    try:
        return run(options)
    except InputError as error:
        print(f"tallypan: {error}", file=sys.stderr)
        return WRONG_USE
    except (StationError, HardwareError) as error:
        print(f"tallypan: {error}", file=sys.stderr)
        return FAILED
    except KeyboardInterrupt:
        return FAILED


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="tallypan",
        description="Weigh what drains, meter what fills, and judge the fill with its uncertainty.",
    )
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    serve = commands.add_parser("serve", help="run the station and its web page")
    serve.add_argument("--config", type=Path, metavar="FILE", help="the bay's TOML file")
    serve.add_argument(
        "--host", help="address to listen on (default: as the bay's file says, else this machine only)"
    )
    serve.add_argument(
        "--port", type=_port, help="port to listen on (default: as the bay's file says, else 8765)"
    )
    serve.add_argument("--simulated", action="store_true", help="a simulated bay instead of a Pi's pins")
    serve.add_argument(
        "--empty",
        action="store_true",
        help="begin a simulated bay's record without the depot's two invented years",
    )
    serve.add_argument(
        "--log-json", action="store_true", help="log as JSON lines (by itself where systemd reads the log)"
    )
    serve.add_argument(
        "--certificate", type=Path, metavar="FILE", help="serve under TLS, with this certificate"
    )
    serve.add_argument("--key", type=Path, metavar="FILE", help="the certificate's key")
    serve.set_defaults(run=_serve)

    rehearse = commands.add_parser("rehearse", help="play one whole simulated job as fast as it goes")
    rehearse.add_argument(
        "--scenario", type=Path, metavar="FILE.toml", help="another job than the shipped one"
    )
    rehearse.add_argument(
        "--seed", type=int, default=1, metavar="N", help="what is hidden in the bay (default: 1)"
    )
    rehearse.add_argument("--json", action="store_true", help="print one JSON object")
    rehearse.set_defaults(run=_rehearse)

    replay = commands.add_parser("replay", help="recompute a job from its raw samples")
    replay.add_argument("job", type=Path, metavar="JOB.toml")
    replay.add_argument("recording", type=Path, metavar="RECORDING.csv")
    replay.add_argument("--json", action="store_true", help="print one JSON object")
    replay.set_defaults(run=_replay)

    doctor = commands.add_parser("doctor", help="check wiring, sensors, calibration, clock, disk and ledger")
    doctor.add_argument("--config", type=Path, metavar="FILE", help="the bay's TOML file")
    doctor.add_argument(
        "--simulated", action="store_true", help="check a simulated bay instead of a Pi's pins"
    )
    doctor.add_argument("--file-only", action="store_true", help="judge the bay's file, and touch no device")
    doctor.set_defaults(run=_doctor)

    bench = commands.add_parser("bench", help="the bench checklist for a first Pi; leaves a result file")
    bench.add_argument("--config", type=Path, metavar="FILE", help="the bay's TOML file")
    bench.add_argument("--simulated", action="store_true", help="try the checklist itself, without a Pi")
    bench.add_argument("--by", default="", metavar="NAME", help="who made the checks")
    bench.add_argument("--out", type=Path, metavar="FILE.toml", required=True, help="the result file")
    bench.set_defaults(run=_bench)

    add_commands(commands, _serve_many)
    add_sheet(commands)
    return parser


def _port(text: str) -> int:
    port = int(text)
    if not 0 <= port <= 65535:
        raise argparse.ArgumentTypeError(f"{port} is not a port; expected 0 to 65535")
    return port


def _config(options: argparse.Namespace) -> Any:
    from station.given.config import demo_path, read_config

    if options.config is None and not options.simulated:
        raise InputError("no --config given: name the bay's TOML file, or ask for --simulated.")
    return read_config(options.config if options.config is not None else demo_path())


def _open_engine(config: Any, simulated: bool) -> tuple[Any, Callable[[], None]]:
    """The engine on its devices, and what closes both."""
    from hardware import board
    from hardware.rig import Rig, RigConfig
    from station.bay.engine import Engine

    if not simulated:
        board.give_lgpio_a_folder()
        rig_config = RigConfig(
            "pi",
            config.pins,
            config.thermometers,
            converter=config.converter,
            converter_b=config.converter_b,
            serial=config.serial,
            modbus=config.modbus,
        )
        engine = Engine(config, lambda put: Rig(rig_config, put))
        return engine, engine.close

    from hardware.simulated.bay import SimulatedBay
    from hardware.simulated.plant import Plant, PlantSettings
    from hardware.simulated.stand_ins import StandIns
    from station.rehearsing.bench import Bench
    from station.rehearsing.depot import worn_k_per_l
    from station.rehearsing.scenario import believed_second

    # Chips and driver share one interpreter here: hand it round quickly, or the driver misses conversions.
    sys.setswitchinterval(0.001)
    pan_b = None if config.pan_b is None else believed_second(config.pan_b)
    bay = SimulatedBay(
        Plant(PlantSettings(pan_b=pan_b)), 1.0, config.pins, config.converter.rate, config.converter_b.rate
    )
    closers = contextlib.ExitStack()
    closers.callback(bay.close)
    with contextlib.ExitStack() as begun:
        begun.push(closers)
        lines = StandIns(bay, config.serial, config.modbus)
        closers.callback(lines.close)
        rig_config = RigConfig(
            "simulated",
            config.pins,
            bay=bay,
            converter=config.converter,
            converter_b=config.converter_b,
            serial=lines.serial,
            modbus=lines.modbus,
        )
        k_per_l = worn_k_per_l(config.ledger, config.meter.k_factor_per_l)
        engine = Engine(config, lambda put: Rig(rig_config, put), bay.clock, Bench(bay, None, lines, k_per_l))
        closers.callback(engine.close)
        bay.start()
        begun.pop_all()
    return engine, closers.close


def _serve(options: argparse.Namespace) -> int:
    from station.bay import fitness, logs
    from station.bay.beside import Beside
    from station.bay.people_book import PeopleBook
    from station.common.words import speak
    from station.record.lock import name_holder
    from web.server import door_of, say_first_code, say_ready, serve

    logs.set_up(True if options.log_json else None)
    config = _config(options)
    speak(config.language)
    fitness.check(config, options.simulated)
    host = config.serve.host if options.host is None else options.host
    port = config.serve.port if options.port is None else options.port
    access, tls = door_of(config.serve, config.ledger, host, options)
    _live_in(config.zone)
    _let_old_samples_go(config)
    if options.simulated and options.config is None and not options.empty:
        from station.rehearsing import depot

        if depot.begin(config.ledger, config.zone):
            print("Two invented years are in the record now; --empty leaves them out.", file=sys.stderr)
    beside = Beside(config)
    engine, close = _open_engine(config, options.simulated)
    beside.begin(engine, None if access.people is None else access.people.take)
    book = None if access.people is None else PeopleBook(access.people, engine.entries.people_changed)

    def announce(address: str) -> None:
        name_holder(config.ledger, f"the station at {address} (process {os.getpid()})")
        say_ready(address)
        say_first_code(access)

    try:
        rules = config.serve
        serve(engine, access, host, port, announce, tls, rules.names, rules.proxy)
    finally:
        if book is not None:
            book.close()
        beside.hush()
        close()
        beside.close()
    return DONE


def _serve_many(options: argparse.Namespace) -> int:
    from web.many import serve

    serve(options)
    return DONE


def _let_old_samples_go(config: Any) -> None:
    """By the bay's own rule, before anything else writes."""
    from station.record import retain
    from station.record.ledger import Ledger

    if config.record.keep_samples_months is None or not config.ledger.exists():
        return
    ledger = Ledger(config.ledger)
    try:
        retain.apply(ledger, config.record.keep_samples_months)
    finally:
        ledger.close()


def _live_in(zone: tzinfo) -> None:
    """Have every time that the process shows be one of the bay's zone, as its days are."""
    if isinstance(zone, ZoneInfo) and zone.key in available_timezones():
        os.environ["TZ"] = zone.key
        time.tzset()


def _rehearse(options: argparse.Namespace) -> int:
    from station.rehearsing.rehearse import rehearse
    from station.rehearsing.scenario import read_scenario

    rehearsal = rehearse(read_scenario(options.scenario), options.seed)
    _print(rehearsal.report(), rehearsal.state.spec.labels, options.json)
    return DONE


def _replay(options: argparse.Namespace) -> int:
    from station.core.replay import replay
    from station.figures import balance
    from station.given import recording
    from station.given.job import read_job
    from station.learning import asking

    spec = read_job(options.job)
    state = replay(spec, recording.stream(options.recording))
    report = balance.report(state)
    # What the page asks before the pump may run; a recording cannot be asked any more.
    asked = asking.of_report(report, spec.capacity_text)
    notices = (*report.notices, *(question.to_notice(state.t_s) for question in asked))
    _print(replace(report, notices=notices), spec.labels, options.json)
    return DONE


def _print(report: "Report", labels: Mapping[str, str], as_json: bool) -> None:
    from station.figures.sheet import text_sheet

    print(json.dumps(report.to_dict(), ensure_ascii=False) if as_json else text_sheet(report, labels))


def _doctor(options: argparse.Namespace) -> int:
    from station.bay.doctor import examine, examine_file

    try:
        config = _config(options)
    except InputError as error:
        if options.config is None:
            raise
        print(f"FAIL  bay's file: {error}")
        return WRONG_USE
    if options.file_only:
        findings = examine_file(config, options.simulated)
    else:
        findings = examine(config, options.simulated, lambda: _open_engine(config, options.simulated))
    for finding in findings:
        print(f"{'ok  ' if finding.ok else 'FAIL'}  {finding.what}: {finding.text}")
    return DONE if all(finding.ok for finding in findings) else FAILED


def _bench(options: argparse.Namespace) -> int:
    from station.bay import bench_check, doctor

    config = _config(options)
    print(
        "Before each check: the pump's supply off, unless the check says otherwise. Nothing here runs the pump."
    )
    rows = bench_check.of_findings(
        doctor.examine(config, options.simulated, lambda: _open_engine(config, options.simulated))
    )
    engine, close = _open_engine(config, options.simulated)
    try:
        rows.append(bench_check.pan_noise(lambda: engine.heard()[0].get("pan")))
        if config.pan_b is not None:
            rows.append(bench_check.pan_noise(lambda: engine.heard()[0].get("pan_b"), "pan_b_noise"))
        rows += bench_check.trains(lambda: engine.heard()[0].get("meter"), _answered)
    finally:
        close()
    print("Start the service now; the rest is asked of a running bay.")
    rows += bench_check.by_hand(_answered)
    made = bench_check.write(options.out, options.by, bench_check.machine(options.simulated), rows)
    failed = [row.key for row in made.check if row.outcome == "failed"]
    print(f"{options.out}: {len(made.check)} checks, failed: {', '.join(failed) or 'none'}.")
    return FAILED if failed else DONE


def _answered(question: str) -> str:
    try:
        return input(f"{question} ")
    except EOFError:
        return ""  # nobody is there: skipped


if __name__ == "__main__":
    sys.exit(main())
