"""What should go in: the listed capacity as the plug fixes it, less the old fluid that is still inside.

The level at the plug fixes a volume at the fill's temperature. A listed capacity is geometric, so at the reference
temperature it is worth V · ρ(t_fill) / ρ(t_ref). What stayed behind is what the method never lets out, and the film
that was still on the walls when the drain was ended: the measured drip tells that one.
"""

import math
from dataclasses import dataclass

from calibration.budget import expanded
from station.filling.limits import LIMITS
from station.given.job import JobSpec
from station.given.limits import LIMITS as GIVEN
from station.given.listing import rounding_l


@dataclass(frozen=True)
class Film:
    """Old fluid that was still on the walls when the drain was ended, litres at the reference temperature."""

    volume_l: float
    u_l: float


@dataclass(frozen=True)
class Expecting:
    """Expected fill, litres at the reference temperature. at_rest_l: what the spec alone expects, at that temperature and
    with the usual film. parts: (name, standard uncertainty in litres) of each doubt, largest first."""

    value_l: float
    u_l: float
    at_rest_l: float
    factor: float
    film_l: float
    parts: tuple[tuple[str, float], ...]

    @property
    def u95_l(self) -> float:
        return expanded(self.u_l)


def usual_film_l(spec: JobSpec) -> float:
    return LIMITS.film_rel[spec.method] * spec.capacity_l


def expecting(
    spec: JobSpec, film: Film | None, drained_for_s: float | None, supply_c: float | None
) -> Expecting:
    """What should go in. film: as the drip told it when the drain was ended; None where it did not.

    drained_for_s: how long the drain was open; None while it still is, and then the usual film is expected. supply_c: of
    the fresh fluid, None where it is not read.
    """
    usual_l = usual_film_l(spec)
    if film is not None:
        film_l, u_film_l = film.volume_l, film.u_l
    else:
        film_l, u_film_l = usual_l, LIMITS.u_film_rel * usual_l
        if drained_for_s is not None:
            unseen_l = (
                LIMITS.u_film_unseen_rel
                * spec.capacity_l
                * math.sqrt(LIMITS.film_unseen_s / max(LIMITS.film_unseen_s, drained_for_s))
            )
            u_film_l = max(u_film_l, unseen_l)
    reference_c = spec.reference_temperature_c
    at_c = reference_c if supply_c is None else supply_c
    factor = spec.fresh.density_kg_m3(at_c) / spec.fresh.density_kg_m3(reference_c)
    u_fill_c = LIMITS.u_fill_unread_c if supply_c is None else LIMITS.u_fill_c
    volume_l = spec.capacity_l - (spec.retained_l - usual_l)
    listing = {} if spec.learned_from else {
        "listing's last digit": rounding_l(spec.capacity_text, spec.capacity_l),
        "level at the plug": GIVEN.u_level_rel * spec.capacity_l,
    }  # fmt: skip
    parts = listing | {
        "what stays behind": spec.u_retained_l,
        "film on the walls": u_film_l,
        "temperature of the fill": spec.fresh.expansion_at_per_c(at_c) * u_fill_c * spec.capacity_l,
    }
    u_l = math.hypot(*parts.values())
    return Expecting(
        value_l=volume_l * factor - film_l,
        u_l=u_l,
        at_rest_l=spec.expected_fill_l,
        factor=factor,
        film_l=film_l,
        parts=tuple(sorted(parts.items(), key=lambda part: -part[1])),
    )


def proved_l(spec: JobSpec, now: Expecting, filled_l: float) -> float:
    """What a fill to the lip says of its compartment: the fill at the reference temperature after the usual film."""
    return (filled_l + now.film_l) / now.factor - usual_film_l(spec)
