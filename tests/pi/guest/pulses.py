"""Runs on the emulated virt board: counts pulses of its PL061 through the project's own line and counter."""

import json
import time

from hardware import guard
from hardware.pulses import GpiodPulseCounter, open_line

guard.HEADER_LABELS = ("9030000.pl061",)  # this machine has no Pi's header
counter = GpiodPulseCounter(open_line(0))
print("COUNTING", flush=True)
told = {"bounced": 0, "missed": 0}
last, changed_s, told_count = 0, time.monotonic(), 0
while True:
    now = counter.read()
    told["bounced"] += now.bounced
    told["missed"] += now.missed
    if now.count != last:
        last, changed_s = now.count, time.monotonic()
    elif last != told_count and time.monotonic() - changed_s > 1.5:
        print("COUNTED", json.dumps({"count": last, **told}), flush=True)
        told_count = last
    time.sleep(0.05)
