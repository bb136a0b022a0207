"""Who spoke of a fill, what each said, and what would settle it: as text for bay page, job page and sheet."""

from collections.abc import Sequence
from dataclasses import dataclass

from station.common.words import N_, _
from station.given.report import Spoke
from web.frame import format as fmt

NAMES = {
    "expected": N_("Expected fill"),
    "drained": N_("Expected from what came out"),
    "meter": N_("Meter"),
    "lip": N_("What ran over the lip"),
    "dry lip": N_("Lip that stayed dry"),
    "level": N_("Level seen at the plug"),
    "container": N_("Container weighed"),
    "pump": N_("Pump's running time"),
    "history": N_("Meter's record"),
    "stand": N_("Vehicle's stand"),
    "hose": N_("Hose"),
}
"""Names of the witnesses; any other is shown as it is."""

AT_LEVEL = {
    "lip": N_("at the level ± {u95}"),
    "level": N_("at the level ± {u95}"),
    "dry lip": N_("below the level, ± {u95}"),
}
"""Witnesses of the level measure no volume: theirs is the expected fill's own, and beside a meter's would look like a second
measurement."""


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
        word = _("what should go in") if row.name in ("expected", "drained") else _(row.word)
        says = str(fmt.litres(row.says_l, row.says_u95_l))
        if row.name in AT_LEVEL and row.says_u95_l is not None:
            says = _(AT_LEVEL[row.name]).format(u95=fmt.volume(row.says_u95_l))
            word = _("{word}, whatever was expected").format(word=word)
        found.append(
            WitnessLine(
                _(NAMES.get(row.name, row.name)),
                says,
                _("{word}; doubted").format(word=word) if row.contradicted and word else word,
                row.settles if row.contradicted or verdict == "undecided" else "",
            )
        )
    return found
