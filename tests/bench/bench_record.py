"""What recording costs: bytes a sample on the card, and bytes a second written to it.

The stream is made up as a bay on a Pi gives it (pan 10 Hz with 25 counts of noise, meter 20 Hz, three thermometers), and
goes through the recorder one batch at a time, of as many seconds as it waits on a bay; what the system wrote is taken from /proc/self/io.
"""

import random
import sqlite3
import tempfile
import time
from pathlib import Path

from station.given.report import Report
from station.record.ledger import JobRow, now
from station.record.recorder import BATCH_S, Recorder
from tests.station.record.live_stream import NOISE_COUNTS, live_stream

MINUTES = 20


def written_bytes() -> int:
    lines = Path("/proc/self/io").read_text(encoding="ascii").splitlines()
    return int(next(line.split()[1] for line in lines if line.startswith("write_bytes")))


def main() -> None:
    stream = live_stream(random.Random(1), MINUTES)
    pan = [s for s in stream if s.source == "pan"]
    with tempfile.TemporaryDirectory(dir=".") as folder:  # not in /tmp, which may be memory
        for what, samples in (("whole stream", stream), ("pan alone", pan)):
            path = Path(folder) / f"{what}.sqlite"
            recorder = Recorder(path, print)
            recorder.event("j", "job_open", {"job": {}}, now())
            recorder.wait_written(recorder.seal(), 10.0)
            before, began_s, second = written_bytes(), time.perf_counter(), samples[0].t_s + BATCH_S
            for sample in samples:
                if sample.t_s > second:
                    recorder.wait_written(recorder.seal(), 10.0)
                    second += BATCH_S
                recorder.sample("j", sample)
            recorder.wait_written(recorder.seal(), 10.0)
            rate = (written_bytes() - before) / (MINUTES * 60)
            took_s = time.perf_counter() - began_s
            row = {
                "job_id": "j",
                "opened_utc": now().utc,
                "closed_utc": now().utc,
                "stage": "closed",
                "verdict": "full",
            }
            report = Report(*(None,) * 6, 2.9, 2.87, 20.0, "full", "closed")
            recorder.result("j", report, JobRow.of(row), now())
            recorder.close()
            with sqlite3.connect(path) as db:
                data, n = db.execute("select sum(length(data)), sum(samples) from block").fetchone()
            print(
                f"{what}: {data / n:.2f} bytes a sample, {rate / 1000:.1f} kB/s written to the card, "
                f"{MINUTES * 60 / took_s:.0f} times as fast as it comes"
            )
    print(
        f"(a pan with {NOISE_COUNTS:.0f} counts of noise has an entropy of 0.84 bytes a sample, its time apart)"
    )


if __name__ == "__main__":
    main()
