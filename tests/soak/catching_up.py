"""Goal L3: a bay that catches up a week's record with the roll-up while a fill runs turns no slower.

The station's own engine, record and sender, in real time. The roll-up is another process that takes whatever comes, for on a
real bay it is another machine. The week goes out again and again, so that the sender is never done: it sends for one window of
a fill and is still for the next, so that what else the machine does falls on both.
"""

import http.server
import json
import multiprocessing
import statistics
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from station.bay.loop import Call
from station.bay.office import HEAD, HttpOffice
from station.bay.sender import BETWEEN_S, Sender
from station.bay.watchdog import Turns
from station.given.reporting import RollUpRules
from tests.rolled import record
from tests.soak.played import STEP_S, Played
from tests.soak.proofs import Seen
from tests.station.bay.fake_rig import config

WINDOW_S = 2.0
WEEK_JOBS, NOTES = 200, 16
"""A busy bay's week: 40 jobs a day of 18 entries each."""
AT = 0.99
MORE = 1.1


class _Taking(http.server.BaseHTTPRequestHandler):
    """As the roll-up answers, but that it is always at the beginning."""

    protocol_version = "HTTP/1.1"

    def do_GET(self) -> None:
        self._answer({"seq": 0} if self.path.startswith(HEAD) else {})

    def do_POST(self) -> None:
        entries = json.loads(self.rfile.read(int(self.headers["Content-Length"])))["entries"]
        self._answer({"seq": entries[-1][0] if entries else 0})

    def _answer(self, told: object) -> None:
        data = json.dumps(told).encode()
        self.send_response(200)
        self.send_header("Content-Length", f"{len(data)}")
        self.end_headers()
        self.wfile.write(data)

    def log_message(self, *of: object) -> None:
        pass


def _serve(ports: "multiprocessing.Queue[int]") -> None:
    with http.server.HTTPServer(("127.0.0.1", 0), _Taking) as server:
        ports.put(server.server_port)
        server.serve_forever()


@contextmanager
def _roll_up() -> Iterator[str]:
    spawn = multiprocessing.get_context("spawn")
    ports: multiprocessing.Queue[int] = spawn.Queue()
    process = spawn.Process(target=_serve, args=(ports,), daemon=True)
    process.start()
    try:
        yield f"http://127.0.0.1:{ports.get(timeout=60)}"
    finally:
        process.terminate()
        process.join(10)


@dataclass
class Windows:
    """What each turn took, ms, while the sender sent and while it was still. entries: that were sent, of the last batch perhaps fewer."""

    sending: list[float] = field(default_factory=list)
    still: list[float] = field(default_factory=list)
    entries: int = 0

    def of(self, share: float) -> tuple[float, float]:
        """That share of the turns took no longer: sending, still."""
        sending, still = (
            statistics.quantiles(each, n=1000)[round(1000 * share) - 1] for each in (self.sending, self.still)
        )
        return sending, still


def fills(folder: Path, jobs: int, in_the_loop: bool = False) -> Windows:
    """in_the_loop: plants the fault that the record is read and sent in the engine's own thread."""
    found, fill = Windows(), threading.Event()
    began_s, due_s, first = 0.0, 0.0, 0
    with closing(record(config(folder).ledger, WEEK_JOBS, notes=NOTES)):
        pass
    token = folder / "token"
    token.write_text("tallypan.harbour.bay-1.x", encoding="ascii")

    def sends(at_s: float) -> bool:
        return int((at_s - began_s) / WINDOW_S) % 2 == first

    class Timed(Turns):
        def over(self) -> None:
            last_s = self.last_s
            super().over()
            if fill.is_set() and sends(last_s) == sends(self.last_s):
                (found.sending if sends(last_s) else found.still).append(1000.0 * (self.last_s - last_s))

    def real_time() -> None:
        nonlocal due_s
        if fill.is_set():
            due_s = max(due_s + STEP_S, time.monotonic() - STEP_S)
            time.sleep(max(0.0, due_s - time.monotonic()))

    over = threading.Event()
    with _roll_up() as address, closing(Played(folder, real_time)) as bay:
        bay.engine._loop.turns = Timed()

        def send() -> None:
            rules = RollUpRules(address, str(token))
            with closing(HttpOffice(rules)) as office:
                while not over.wait(0.005):
                    sender = Sender(config(folder).ledger, office, rules.every_s, rules.batch, start=False)
                    while not over.is_set() and fill.is_set() and sends(time.monotonic()):
                        if in_the_loop:
                            call = Call(sender.turn)
                            bay.engine._inbox.put(call)
                            wait_s = call.done.result()[0]
                        else:
                            wait_s = sender.turn()
                        assert sender.standing.fault is None, sender.standing
                        found.entries += rules.batch
                        if wait_s > BETWEEN_S:
                            break
                        time.sleep(wait_s)

        thread = threading.Thread(target=send)
        thread.start()
        try:
            for n in range(jobs):
                bay.to_fill()
                first = n % 2
                began_s = due_s = time.monotonic()
                fill.set()
                bay.wait(120.0, until=lambda: bay.engine.view().latched is not None, pendant=1)
                fill.clear()
                bay.wait(2.0, pendant=0)
                bay.finish()
        finally:
            over.set()
            thread.join()
    return found


def l3(jobs: int, in_the_loop: bool = False) -> tuple[Seen, list[str]]:
    """So many fills; what was seen, and a table."""
    with tempfile.TemporaryDirectory() as folder:
        found = fills(Path(folder), jobs, in_the_loop)
    seen = Seen(
        "L3 turns beside a sender", len(found.sending), values=[each / 1000.0 for each in found.sending]
    )
    sending, still = found.of(AT)
    if found.entries < WEEK_JOBS * (NOTES + 2):
        seen.failed.append(f"only {found.entries} entries went out")
    if sending > MORE * still:
        seen.failed.append(
            f"99 % of turns within {sending:.2f} ms, and within {still:.2f} ms without a sender"
        )
    return seen, [
        "",
        "| L3, ms | a week's record goes out | nothing does |",
        "|---|---|---|",
        *(
            f"| {100 * share:g} % of turns within | {on:.2f} | {off:.2f} |"
            for share in (0.5, 0.9, 0.99, 0.999)
            for on, off in [found.of(share)]
        ),
        f"| turns | {len(found.sending)} | {len(found.still)} |",
        "",
        f"{jobs} fills; {found.entries} entries went out, of a week's {WEEK_JOBS * (NOTES + 2)} again and again.",
    ]
