"""Who spoke of a fill, what each said, and what would settle it: as text for bay page, job page and sheet."""

from collections.abc import Sequence
from dataclasses import dataclass

from station.given.report import Spoke
from web.frame import format as fmt

NAMES = {
    "expected": "Expected fill",
    "drained": "Expected from what came out",
    "meter": "Meter",
    "lip": "What ran over the lip",
    "dry lip": "Lip that stayed dry",
    "level": "Level seen at the plug",
    "container": "Container weighed",
    "pump": "Pump's running time",
    "history": "Meter's record",
    "stand": "Vehicle's stand",
}
"""Names of the witnesses; any other is shown as it is."""
DOUBTED = 0.5
"""A witness less likely sound than this is contradicted by the others."""


@dataclass(frozen=True)
class WitnessLine:
    """settles: empty where nothing has to be settled."""

    name: str
    says: str
    word: str
    settles: str


def lines(said: Sequence[Spoke], verdict: str | None) -> list[WitnessLine]:
    """said: the report's ``witnesses``. What would settle it is told of an undecided fill, and of who is contradicted."""
    found = []
    for row in said:
        doubted = row.p_sound < DOUBTED
        word = "what should go in" if row.name in ("expected", "drained") else f"{row.word}"
        found.append(
            WitnessLine(
                NAMES.get(row.name, row.name),
                str(fmt.litres(row.says_l, row.says_u95_l)),
                f"{word}; contradicted by the others" if doubted and word else word,
                row.settles if doubted or verdict == "undecided" else "",
            )
        )
    return found


def in_a_line(found: Sequence[WitnessLine]) -> str:
    """``Meter 2.861 ± 0.012 L · …`` for the sheet."""
    return " · ".join(f"{line.name} {line.says}" for line in found)
