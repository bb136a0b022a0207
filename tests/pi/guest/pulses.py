"""Runs on the emulated virt board: counts pulses of its PL061 through the project's own line and counter."""

import json
import time

from hardware import guard
from hardware.pulses import GpiodPulseCounter, open_line

guard.HEADER_LABELS = ("9030000.pl061",)  # this machine has no Pi's header
counter = GpiodPulseCounter(open_line(0))
told = {"bounced": 0, "missed": 0}
while True:
    now = counter.read()
    told["bounced"] += now.bounced
    told["missed"] += now.missed
    print("COUNTED", json.dumps({"count": now.count, **told}), flush=True)
    time.sleep(0.2)
