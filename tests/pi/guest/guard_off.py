"""Runs on the emulated board with a clock of instructions: how long the one-shot takes that switches the pump off."""

import json
import subprocess
import sys
import time

COMMAND = [sys.executable, "-I", "-S", "/app/hardware/guard.py", "--pin", "22", "--off"]
subprocess.run(COMMAND, check=True, capture_output=True)  # once, to have its files in memory
began_s = time.monotonic()
done = subprocess.run(COMMAND, capture_output=True)
print("RESULT instructions", json.dumps((time.monotonic() - began_s) * 1e9))
print("RESULT returncode", done.returncode, flush=True)
