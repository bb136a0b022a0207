"""What is known of a job's witnesses beforehand, or weighed beside the station: facts, typed."""

import re
from dataclasses import asdict, dataclass
from typing import Annotated, Any

from pydantic import Field

Count = Annotated[int, Field(ge=0, le=1_000_000, description="write how many fills")]
Kilograms = Annotated[
    float,
    Field(ge=0.0, le=2000.0, description="write the container's weight in kilograms, such as 58.40"),
]


@dataclass(frozen=True)
class MeterRecord:
    """What the shop's record says of the bay's meter.

    fills: that were borne out, of late, by the level at the lip or by what the next job drained. offset_rel, u_offset_rel:
    mean over them of how much more the meter counted, relative, and its standard uncertainty. fills_since: fills since the
    last of them. proved: its proving is in date.
    """

    fills: Count = 0
    offset_rel: Annotated[float, Field(ge=-0.5, le=0.5, description="write it as a share, such as 0.004")] = (
        0.0
    )
    u_offset_rel: Annotated[
        float, Field(ge=0.0, le=0.5, description="write it as a share, such as 0.003")
    ] = 0.0
    fills_since: Count = 0
    proved: bool = False

    def to_table(self) -> dict[str, Any]:
        """The [meter_record] table of JOB.toml."""
        return asdict(self)


UNKNOWN_METER = MeterRecord()
"""A meter of which the shop has no record."""


@dataclass(frozen=True)
class ContainerWeighing:
    """The container before and after the fill, kg as indicated, and the standard uncertainty of one weighing."""

    before_kg: Kilograms
    after_kg: Kilograms
    u_kg: Annotated[
        float,
        Field(gt=0.0, le=10.0, description="write the standard uncertainty of one weighing in kilograms"),
    ] = 0.02

    def __post_init__(self) -> None:
        """Raises ValueError for a container that grew heavier."""
        if self.after_kg > self.before_kg:
            raise ValueError(
                f"after_kg is {self.after_kg!r}, heavier than before_kg {self.before_kg!r}; expected what was drawn to be "
                "missing afterwards: were the two swapped?"
            )

    def to_table(self) -> dict[str, Any]:
        """The [container] table of JOB.toml."""
        return asdict(self)


_WORDS = re.compile(r"before (\S+) kg(?:, after (\S+) kg)?, u (\S+) kg")


@dataclass(frozen=True)
class TypedWeighings:
    """The container on a shop scale, as typed: kg, and the standard uncertainty of one weighing. after_kg: None before."""

    before_kg: float
    after_kg: float | None
    u_kg: float

    def in_words(self) -> str:
        """For the record; ``weighings_of`` reads it, to the last digit."""
        after = "" if self.after_kg is None else f", after {self.after_kg!r} kg"
        return f"before {self.before_kg!r} kg{after}, u {self.u_kg!r} kg"

    def whole(self) -> ContainerWeighing | None:
        """Both weighings; None without the second."""
        return None if self.after_kg is None else ContainerWeighing(self.before_kg, self.after_kg, self.u_kg)


def weighings_of(text: str) -> ContainerWeighing | None:
    """Both weighings of an entry of the record; None of one that has not both."""
    found = _WORDS.fullmatch(text)
    if found is None:
        return None
    after_kg = None if found[2] is None else float(found[2])
    return TypedWeighings(float(found[1]), after_kg, float(found[3])).whole()
