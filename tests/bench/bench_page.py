"""From a sample to the page with 20 pages open: how long the sample that just missed a view waits for the next to arrive.

The station, its simulated bay and the pages run in this process as they do in service; 20 readers of the event stream
run in another. Baseline: 100 ms, at which the engine draws up views. Goal: 200 ms at the 99th percentile.
"""

import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import replace
from pathlib import Path

import uvicorn

from station.__main__ import _open_engine
from station.given.config import demo_path, read_config
from station.people.access import Access
from web.app import create_app

PAGES, SECONDS, PORT = 20, 20.0, 8979

READER = """
import sys, threading, time, urllib.request
seen = []
def read(n):
    request = urllib.request.Request("http://127.0.0.1:%s/live" % sys.argv[1])
    ends = time.monotonic() + float(sys.argv[3])
    with urllib.request.urlopen(request, timeout=10) as stream:
        for line in stream:
            if line.startswith(b"id:"):
                seen.append((int(line[3:]), time.monotonic()))
            if time.monotonic() > ends:
                return
threads = [threading.Thread(target=read, args=(n,)) for n in range(int(sys.argv[2]))]
for t in threads: t.start()
for t in threads: t.join()
for seq, at in seen: print(seq, at)
"""


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        config = replace(read_config(demo_path()), ledger=Path(folder) / "ledger.sqlite")
        engine, close = _open_engine(config, simulated=True)
        newest: dict[int, float] = {}
        end = engine.subscribe(lambda view: newest.__setitem__(view.seq, view.t_s))
        server = uvicorn.Server(
            uvicorn.Config(
                create_app(engine, Access(None)), port=PORT, log_level="warning", timeout_graceful_shutdown=2
            )
        )
        thread = threading.Thread(target=server.run, daemon=True)
        thread.start()
        try:
            while not server.started:
                time.sleep(0.05)
            command = [sys.executable, "-c", READER, str(PORT), str(PAGES), str(SECONDS)]
            printed = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True).stdout
        finally:
            server.should_exit = True
            thread.join(10)
            end()
            close()
        ages = sorted(
            1000.0 * (float(at) - newest[int(seq) - 1])
            for seq, at in (line.split() for line in printed.splitlines())
            if int(seq) - 1 in newest
        )
    middle, high = ages[len(ages) // 2], ages[int(len(ages) * 0.99)]
    print(
        f"{PAGES} pages, {len(ages)} events: sample to page p50 {middle:.0f} ms, p99 {high:.0f} ms, "
        f"{high / 100.0:.2f} x the 100 ms between views (goal 200 ms)"
    )


if __name__ == "__main__":
    main()
