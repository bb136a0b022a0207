"""What stands in the hose between the meter and the plug, and when it has to go into a waste vessel first.

The hose is a queue: what is pumped in at one end pushes out the same volume at the other. So the station knows
what the next litre at the plug will be.
"""

from dataclasses import asdict, dataclass
from typing import Any

from station.filling.limits import LIMITS


def clinging_l(held_l: float, pushed_l: float) -> float:
    """What of held_l litres may still be in the hose after pushed_l litres were pumped into it.

    The slugs below move as plugs; oil in a hose flows laminar, fastest in the middle, and leaves 1 / (4 θ) of the
    hose's content along its wall after θ ≥ ½ volumes. Source: residence times of laminar flow in a tube without
    diffusion, E(θ) = 1 / (2 θ³) for θ ≥ ½, Levenspiel, Chemical Reaction Engineering, 3rd ed., ch. 15 (from memory).
    It holds for two fluids of one viscosity; a thin one after a thick one leaves more.
    """
    if held_l <= 0:
        return 0.0
    volumes = pushed_l / held_l
    return held_l - pushed_l if volumes <= 0.5 else held_l / (4.0 * volumes)


@dataclass(frozen=True)
class Slug:
    """So many litres of one fluid. fluid and grade are empty where nobody knows what it is."""

    fluid: str
    grade: str
    volume_l: float


@dataclass(frozen=True)
class Hose:
    """volume_l: what it holds; 0 where the bay does not say. slugs: from the plug's end to the pump's."""

    volume_l: float
    slugs: tuple[Slug, ...] = ()

    def pump(self, fluid: str, grade: str, moved_l: float) -> "Hose":
        """The hose after moved_l of a fluid were pumped into it."""
        if self.volume_l <= 0 or moved_l <= 0:
            return self
        slugs = list(self.slugs or (Slug("", "", self.volume_l),))
        last = slugs[-1]
        if (last.fluid, last.grade) == (fluid, grade):
            slugs[-1] = Slug(fluid, grade, last.volume_l + moved_l)
        else:
            slugs.append(Slug(fluid, grade, moved_l))
        spill_l = sum(s.volume_l for s in slugs) - self.volume_l
        while spill_l > 0:
            first = slugs.pop(0)
            if first.volume_l > spill_l:
                slugs.insert(0, Slug(first.fluid, first.grade, first.volume_l - spill_l))
            spill_l -= first.volume_l
        return Hose(self.volume_l, tuple(slugs))

    def foreign(self, fluid: str, grade: str) -> tuple[float, str, str]:
        """(litres to push out until only this fluid comes, the worst other fluid, its grade); (0, "", "") if none.

        A slug of another grade is worse than one of another fluid of the same grade.
        """
        slugs = self.slugs or ((Slug("", "", self.volume_l),) if self.volume_l > 0 else ())
        reach_l = passed_l = 0.0
        worst: Slug | None = None
        for slug in slugs:
            passed_l += slug.volume_l
            if slug.volume_l >= LIMITS.crumb_l and slug.fluid != fluid:
                reach_l = passed_l
                if worst is None or (same_grade(worst.grade, grade) and not same_grade(slug.grade, grade)):
                    worst = slug
        return (reach_l, worst.fluid, worst.grade) if worst is not None else (0.0, "", "")

    def to_dict(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> "Hose":
        return cls(float(data["volume_l"]), tuple(Slug(**slug) for slug in data["slugs"]))


def same_grade(one: str, other: str) -> bool:
    """Whether two grades are written alike, but for case, spaces and hyphens. An unknown grade equals nothing."""
    a, b = (g.casefold().replace(" ", "").replace("-", "") for g in (one, other))
    return bool(a) and a == b
