"""Runs on the emulated board with a clock of instructions: how long a program keeps the converter's clock high."""

import json
import statistics

from hardware.converters.choose import ConverterPlan, openers, tried
from hardware.pins import PinMap

found, told = {}, []
for name, opener in openers(ConverterPlan(), PinMap()).items():
    converter = opener()
    converter.trial_s(50)  # once, to have all of it in memory
    taken_s = converter.trial_s(400)
    converter.release()
    found[name] = [statistics.median(taken_s) * 1e9, max(taken_s) * 1e9]
    told.append(str(tried(name, opener)))
print("RESULT instructions", json.dumps(found))
print("RESULT told_by_readers", json.dumps(told), flush=True)
