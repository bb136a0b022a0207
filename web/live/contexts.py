"""What the bay page and the wall are given. A template reads these and nothing else."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from station.bay.plan import PlanOptions
from station.learning import condition
from station.record.author import BY
from station.shop.catalogue import Catalogue
from web.frame import about, words
from web.live.live import Live


@dataclass(frozen=True)
class ConditionWords:
    """What a condition is picked from."""

    colours: Sequence[str] = condition.COLOURS
    smells: Sequence[str] = condition.SMELLS
    metal: Sequence[str] = condition.METAL


@dataclass(frozen=True)
class Container:
    """What fluid is drawn from. fluid: its key."""

    key: str
    fluid: str


@dataclass(frozen=True)
class BayPage:
    """``/``: a whole job. technician: whoever is signed in.

    explained: what stands behind its figures. last: vehicle and compartment → when its newest job was, in words.
    """

    live: Live
    options: PlanOptions
    last: Mapping[tuple[str, str], str]
    containers: Sequence[Container]
    condition: ConditionWords
    cautions: Sequence[words.Caution]
    simulated: bool
    technician: str
    explained: Sequence[about.About] = about.LIVE


@dataclass(frozen=True)
class WallPage:
    """``/wall``: the same live view, for reading only. dark: light text on a dark ground."""

    live: Live
    simulated: bool
    dark: bool


def bay_page(
    live: Live,
    options: PlanOptions,
    last: Mapping[tuple[str, str], str],
    catalogue: Catalogue,
    simulated: bool,
) -> BayPage:
    """catalogue: adds to the plan's options what a job may say beside them."""
    containers = [Container(entry.key[0], entry.get("fluid")) for entry in catalogue.active("container")]
    return BayPage(live, options, last, containers, ConditionWords(), words.CAUTIONS, simulated, BY.get())
