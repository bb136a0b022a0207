"""Goals W7 and W1: a station under half requests, silent sockets, endless bodies and photos that unpack to gigabytes; what
a stop takes meanwhile, how evenly the engine turns, what memory and log grow to. And requests of all kinds by the thousand.

``python -m tests.soak.edges station FOLDER`` is the station, ``… attack KIND PORT`` the attacker; each runs until ended.
"""

import asyncio
import contextlib
import http.client
import json
import random
import re
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Coroutine, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from prometheus_client.parser import text_string_to_metric_families

from tests.soak import wrong_pins
from tests.soak.proofs import Seen
from tests.soak.relay import ROOT

STOP_MS = 300.0
WORSE = 2.0
"""A busy machine is late by itself: under an attack it may be so many times later than it was a moment before."""
GROWTH_MB = 250.0
"""A photo at its largest takes 174 MB to unpack and scale (measured), four more wait as 48 MB."""
LOG_BYTES = 500_000
BETWEEN_STOPS_S = 0.1


def station(folder: Path) -> None:
    """The station but its devices, on a free port of this machine."""
    from station.bay import logs
    from station.people.access import Access
    from tests.station.bay.fake_rig import engine_on
    from web.server import serve

    logs.set_up()
    engine, _ = engine_on(folder)
    try:
        serve(engine, Access(None), "127.0.0.1", 0)
    finally:
        engine.close()


# --- attacks -----------------------------------------------------------------------------------------------


async def _again_and_again(port: int, n: int, say: bytes, keep_s: float) -> None:
    """So many connections at a time that say this and no more, each opened anew when it is closed."""

    async def one() -> None:
        while True:
            try:
                reader, writer = await asyncio.open_connection("127.0.0.1", port)
                writer.write(say)
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(reader.read(), keep_s)
                writer.transport.abort()
            except OSError:
                await asyncio.sleep(0.05)

    await asyncio.gather(*(one() for _ in range(n)))


async def _askers(port: int, n: int, what: str, body: str = "") -> None:
    """So many who ask for the same again as soon as they have it, as anybody on the shop's network may."""
    change = (
        f"X-Tallypan: 1\r\nContent-Type: application/json\r\nContent-Length: {len(body)}\r\n" if body else ""
    )
    ask = f"{what} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n{change}\r\n{body}".encode()

    async def one() -> None:
        while True:
            with contextlib.suppress(OSError, asyncio.IncompleteReadError, ValueError):
                reader, writer = await asyncio.open_connection("127.0.0.1", port)
                while True:
                    writer.write(ask)
                    head = await reader.readuntil(b"\r\n\r\n")
                    length = re.search(rb"content-length: (\d+)", head)
                    if length is None:
                        break
                    await reader.readexactly(int(length[1]))
                while await reader.read(1 << 16):
                    pass  # a reply without an end is followed
            await asyncio.sleep(0.05)

    await asyncio.gather(*(one() for _ in range(n)))


async def _bodies(port: int, n: int) -> None:
    """A hundred megabytes behind a stated length of two bytes."""
    head = (
        f"POST /api/note HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nX-Tallypan: 1\r\nContent-Type: application/json\r\n"
        "Content-Length: 2\r\nTransfer-Encoding: chunked\r\n\r\n"
    ).encode()
    chunk = b"100000\r\n" + b"x" * 0x100000 + b"\r\n"

    async def one() -> None:
        while True:
            with contextlib.suppress(OSError):
                _, writer = await asyncio.open_connection("127.0.0.1", port)
                writer.write(head)
                for _ in range(100):
                    writer.write(chunk)
                    await writer.drain()
                writer.transport.abort()
            await asyncio.sleep(0.01)

    await asyncio.gather(*(one() for _ in range(n)))


async def _photos(port: int, n: int, side: int) -> None:
    """PNGs of very many pixels of one colour, a few at a time."""
    from tests.station.learning.test_condition import flat_png

    data = flat_png(side)
    head = (
        f"POST /api/jobs/x/photo HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nX-Tallypan: 1\r\nContent-Type: image/png\r\n"
        f"Content-Length: {len(data)}\r\n\r\n"
    ).encode()
    opened = http.client.HTTPConnection("127.0.0.1", port)
    from tests.station.bay.fake_rig import FORM

    opened.request(
        "POST", "/api/job", json.dumps(vars(FORM)), {"X-Tallypan": "1", "Content-Type": "application/json"}
    )
    job_id = json.loads(opened.getresponse().read())["job_id"]
    await _again_and_again(port, n, head.replace(b"/x/", f"/{job_id}/".encode()) + data, 5.0)


ATTACKS: dict[str, Callable[[int], Coroutine[Any, Any, None]]] = {
    "1,000 half requests": lambda port: _again_and_again(port, 1000, b"GET / HTTP/1.1\r\nHost: ", 60.0),
    "2,000 silent sockets": lambda port: _again_and_again(port, 2000, b"", 60.0),
    "100 who read the wall": lambda port: _askers(port, 100, "GET /wall"),
    "100 who follow the bay": lambda port: _askers(port, 100, "GET /live"),
    "100 who change what is not there": lambda port: _askers(
        port, 100, "POST /api/check", '{"key": "x", "done": false}'
    ),
    "bodies of 100 MB said to be 2 bytes": lambda port: _bodies(port, 8),
    "photos of 7700²": lambda port: _photos(port, 8, 7700),
    "photos of 4000²": lambda port: _photos(port, 8, 4000),
    "no requests at all, but bytes": lambda port: _again_and_again(port, 100, b"\x16\x03\x01\r\n\r\n", 1.0),
}


# --- what is seen of it ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Numbers:
    """Of a running station: turns within each limit of their histogram, and memory."""

    turns: dict[float, float]
    rss_mb: float


def _numbers(port: int, pid: int) -> Numbers:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    connection.request("GET", "/metrics")
    text = connection.getresponse().read().decode()
    connection.close()
    turns = {
        float(sample.labels["le"]): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
        if sample.name == "tallypan_loop_interval_seconds_bucket"
    }
    status = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    found = re.search(r"VmHWM:\s+(\d+)", status)
    return Numbers(turns, int(found[1]) / 1024 if found else float("nan"))


def stop_ms(port: int) -> float:
    """A stop by a connection of its own, as from a page that had none open; how long until its answer."""
    began_s = time.monotonic()
    while True:
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=5)
        try:
            headers = {"X-Tallypan": "1", "Content-Type": "application/json"}
            connection.request("POST", "/api/stop", "{}", headers)
            if connection.getresponse().status == 200:
                return (time.monotonic() - began_s) * 1000.0
        except (OSError, http.client.HTTPException):  # as a page does: again
            if time.monotonic() - began_s > 5.0:
                return 5000.0
        finally:
            connection.close()


def attack_line(kind: str, port: int) -> list[str]:
    """What starts an attacker."""
    return [sys.executable, "-m", "tests.soak.edges", "attack", kind, str(port)]


def latest_ms(calm: Sequence[float], goal_ms: float) -> float:
    """How late something may be under an attack. calm: how late it was before, with nothing else going on."""
    return max(goal_ms, WORSE * max(calm, default=0.0))


def _stops(port: int, for_s: float) -> list[float]:
    took_ms, until_s = [], time.monotonic() + for_s
    while time.monotonic() < until_s:
        took_ms.append(stop_ms(port))
        time.sleep(BETWEEN_STOPS_S)
    return took_ms


def under(kind: str, for_s: float) -> tuple[Seen, Seen, str]:
    """Stops before and while an attack goes on; what was seen, and a line on turns, memory and log meanwhile."""
    calm, seen = (Seen(f"W7 stop, {what}", unit="ms") for what in (f"before {kind}", kind))
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "log"
        with log.open("wb") as errors:
            process = subprocess.Popen(
                [sys.executable, "-m", "tests.soak.edges", "station", folder],
                cwd=ROOT, stdout=subprocess.PIPE, stderr=errors, text=True,
            )  # fmt: skip
        attacker: subprocess.Popen[bytes] | None = None
        try:
            found = re.search(r":(\d+)/", process.stdout.readline() if process.stdout else "")
            if found is None:
                raise RuntimeError(f"the station did not start: {log.read_text()}")
            port = int(found[1])
            calm.values = _stops(port, for_s / 2.0)
            before = _numbers(port, process.pid)
            attacker = subprocess.Popen(attack_line(kind, port), cwd=ROOT, stderr=subprocess.DEVNULL)
            time.sleep(2.0)
            seen.values = _stops(port, for_s)
            most_ms = latest_ms(calm.values, STOP_MS)
            seen.failed += [f"a stop took {took_ms:.0f} ms" for took_ms in seen.values if took_ms > most_ms]
            calm.trials, seen.trials = len(calm.values), len(seen.values)
            after = _numbers(port, process.pid)
            grown_mb, said = after.rss_mb - before.rss_mb, log.stat().st_size
            if grown_mb > GROWTH_MB:
                seen.failed.append(f"memory grew by {grown_mb:.0f} MB")
            if said > LOG_BYTES:
                seen.failed.append(f"the log grew to {said} bytes")
        finally:
            for child in (attacker, process):
                if child is not None:
                    child.send_signal(signal.SIGTERM if child is process else signal.SIGKILL)
                    child.wait(20)
            if process.stdout is not None:
                process.stdout.close()
    turned = {limit: n - before.turns[limit] for limit, n in after.turns.items()}
    all_turns = turned[float("inf")]
    p99_ms = next(limit for limit, n in turned.items() if n >= 0.99 * all_turns) * 1000.0
    late = all_turns - turned[0.2]
    return (
        calm,
        seen,
        (
            f"| {seen.goal} | {all_turns:.0f} | {p99_ms:.0f} ms | {late:.0f} | {grown_mb:+.0f} MB | {said / 1000:.1f} kB |"
        ),
    )


def w1(requests: int, each: int = 2000) -> Seen:
    """So many requests of all kinds, on a new record for each part of them."""
    from tests.web.test_fuzz import fuzz, well_on

    seen = Seen("W1 fuzzed request answered", unit="ms")
    for seed in range(max(1, requests // each)):
        with tempfile.TemporaryDirectory() as folder:
            engine, rig = well_on(Path(folder))
            try:
                bad, took_s = fuzz(engine, random.Random(f"W1 {seed}"), min(each, requests))
                if True in rig.beats:
                    bad.append("the pump was told to run")
            finally:
                engine.close()
        seen.trials += len(took_s)
        seen.failed += [f"seed {seed}: {text}" for text in bad]
        seen.values += [1000.0 * t for t in took_s]
    return seen


def proofs(n: Mapping[str, int], more: list[str]) -> Iterator[Seen]:
    """Those of W1 (requests), W5 (wrong PINs) and W7 (seconds of each attack) that are asked for. more: takes a table beside the first."""
    if "W1" in n:
        yield w1(n["W1"])
    if "W5" in n:
        with tempfile.TemporaryDirectory() as folder:
            yield wrong_pins.w5(Path(folder), n["W5"])[0]
    if "W7" not in n:
        return
    from tests.soak import filling  # which builds on what is above

    more += [
        "",
        "| W7 | turns of the engine | 99 % within | beyond the guard's 200 ms | memory's peak grew by | log |",
        "|---|---|---|---|---|---|",
    ]
    for kind in ATTACKS:
        *both, line = under(kind, n["W7"])
        more.append(line)
        yield from both
        yield from filling.under(kind, n["W7"])


def main() -> None:
    if sys.argv[1] == "station":
        station(Path(sys.argv[2]))
    else:
        asyncio.run(ATTACKS[sys.argv[2]](int(sys.argv[3])))


if __name__ == "__main__":
    main()
