"""What the pages remember of the calibration under way, beside what the station holds. It ends with it."""

from dataclasses import dataclass, field

from station.calibrating.calibrating import Reading, Run
from web.calibrating.guide import Load, default_loads, parse_loads


@dataclass
class Procedure:
    """loads: what the pan is to be read under. fluid: what the meter is proved with, a key. struck: readings and
    runs that were left out, each with its reason; the record keeps them too."""

    loads: tuple[Load, ...] = field(default_factory=lambda: parse_loads(default_loads()))
    fluid: str = ""
    struck: list[tuple[Reading | Run, str]] = field(default_factory=list)
