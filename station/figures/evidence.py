"""One verdict from several witnesses, each of which may be wrong in ways of its own.

A witness says a volume with an uncertainty. What it says holds only while nothing is broken, and a certificate's
uncertainty is not the probability that the instrument has broken since. So each witness is a mixture: sound, or one of
its faults, each with a stated prior and with what it does to the figure. Witnesses share no fault, so their mixtures
multiply (what two of them do share is a witness of its own: the vehicle's stand, the hose); every combination of classes is one
normal distribution of the difference filled − expected, and the verdict is the weighted sum of them all. Closed form, no
iteration.

The filled volume itself has a flat prior: the pump is stopped at the metered target, so that metered = expected says
nothing about the meter. A controlled variable is not evidence.

Source: JCGM 106:2012, 6.2 (what is known of a measurand is a distribution), 8.2 (conformance probability); mixtures
over faults are in none of the Guides: our model. The same question by tests instead of mixtures is VDI 2048.
"""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cache

import numpy as np
from numpy.typing import NDArray

from station.verdict import Judgement, decide

Floats = NDArray[np.float64]
SOUND = "sound"
T_NODES = 15
"""Normal distributions that make up one of Student's t."""


class About(StrEnum):
    """What a witness tells of: the volume that went in, the volume that should, or the level at the lip itself; or what
    several of them share: the vehicle's stand, which shifts every level that is told, and the hose, which keeps a part of
    every volume that went into it."""

    FILLED = "filled"
    EXPECTED = "expected"
    LEVEL = "level"
    STAND = "stand"
    HOSE = "hose"


@dataclass(frozen=True)
class Part:
    """One normal part of a fault: by how much the witness says more than is so, litres, and with what u.

    alone: that u is the whole doubt, and the witness's own does not come on top.
    """

    weight: float
    shift_l: float
    u_l: float
    alone: bool = False


@dataclass(frozen=True)
class Fault:
    """One way to be wrong. prior: its probability for this job. parts: what it does; their weights add up to 1."""

    name: str
    prior: float
    parts: tuple[Part, ...]


@dataclass(frozen=True)
class Witness:
    """What one witness says, litres at the reference temperature, while it is sound.

    value_l: filled or expected volume, or for the level how far it stands above the lip (0: at the lip); for stand and hose 0.
    u_l, dof: its standard uncertainty and degrees of freedom. settles: what would make sure of it, a sentence for a person.
    """

    name: str
    about: About
    value_l: float
    u_l: float
    dof: float = math.inf
    faults: tuple[Fault, ...] = ()
    settles: str = ""

    def __post_init__(self) -> None:
        if not (math.isfinite(self.value_l) and math.isfinite(self.u_l) and self.u_l >= 0 and self.dof >= 1):
            raise ValueError(
                f"{self.name}: {self.value_l!r} L, u {self.u_l!r} L, {self.dof!r} degrees of freedom; expected a "
                "finite figure, u of 0 or more and at least 1 degree of freedom."
            )
        whole = sum(fault.prior for fault in self.faults)
        if not all(0 <= fault.prior < 1 for fault in self.faults) or not whole < 1:
            raise ValueError(
                f"{self.name}: its faults have a prior of {whole:g} together, expected 0 to below 1."
            )


@dataclass(frozen=True)
class Fusion:
    """What all witnesses say together. classes: witness → class → probability after all were heard.

    on_trust: what they would say if what nobody looked at were right for certain.
    """

    judgement: Judgement
    classes: Mapping[str, Mapping[str, float]]
    on_trust: Judgement

    def less_sure(self) -> "Fusion":
        """Where nobody looked: the judgement that is least sure of itself while that doubt goes from what is stated of it
        down to none, which is a straight line between the two. So that what is not known decides nothing, whichever way it
        would push."""
        ends = (self.judgement, self.on_trust)
        stated, trust = (np.array([one.p_short, one.p_within, one.p_over]) for one in ends)
        shares = [0.0, 1.0]
        for i, j in ((0, 1), (0, 2), (1, 2)):  # where two of the three are alike
            apart, change = stated[i] - stated[j], (trust - stated)[i] - (trust - stated)[j]
            if apart * (apart + change) < 0.0:
                shares.append(-apart / change)
        least = min((stated + share * (trust - stated) for share in shares), key=max)
        return replace(self, judgement=decide(float(least[0]), float(least[2])))

    def sound(self, name: str) -> float:
        """Probability that a witness is sound, after all were heard."""
        return self.classes[name][SOUND]


FROM_NOTHING = (About.LEVEL, About.STAND, About.HOSE)
"""Whose litres are counted from the lip, or from none that stayed in the hose."""
LEAST_U_L = 1e-6
"""No witness is taken to be nearer than a microlitre: a precision must stay finite."""


@cache
def t_scales(dof: float) -> tuple[tuple[float, float], ...]:
    """(weight, factor on u) of normal distributions that together are Student's t with dof degrees of freedom.

    t is a normal distribution whose variance is doubtful: dof/λ with λ chi-squared distributed. Trapezium rule over
    ln λ. Source: JCGM 101:2008, 6.4.9 (t for finite degrees of freedom); the mixture is textbook (from memory).
    """
    if math.isinf(dof):
        return ((1.0, 1.0),)
    half, middle = dof / 2.0, math.log(dof)
    width = math.sqrt(2.0 / dof)
    nodes = [middle + width * x for x in np.linspace(-max(4.5, 9.0 / (half * width)), 3.0, T_NODES)]
    logs = [half * x - math.exp(x) / 2.0 for x in nodes]
    top = max(logs)
    weights = [math.exp(value - top) for value in logs]
    total = sum(weights)
    return tuple((w / total, math.sqrt(dof / math.exp(x))) for w, x in zip(weights, nodes, strict=True))


def _mixture(witness: Witness) -> tuple[list[str], Floats, Floats, Floats]:
    """(class of each part, weights, values, standard deviations): what may be so, given what was said."""
    names, weights, values, sds = [], [], [], []
    sound = 1.0 - sum(fault.prior for fault in witness.faults)
    for weight, factor in t_scales(witness.dof):
        names.append(SOUND)
        weights.append(sound * weight)
        values.append(witness.value_l)
        sds.append(max(LEAST_U_L, factor * witness.u_l))
    for fault in witness.faults:
        if fault.prior == 0.0:
            continue
        whole = sum(part.weight for part in fault.parts)
        for part in fault.parts:
            names.append(fault.name)
            weights.append(fault.prior * part.weight / whole)
            values.append(witness.value_l - part.shift_l)
            own_l = 0.0 if part.alone else witness.u_l
            sds.append(max(LEAST_U_L, math.hypot(own_l, part.u_l)))
    return names, np.array(weights), np.array(values), np.array(sds)


@dataclass(frozen=True)
class _Sum:
    """Products of normal densities of one quantity: precision, precision × value, and what they leave of the weight."""

    precision: Floats
    weighted: Floats
    log_weight: Floats
    told: bool

    def mean(self) -> Floats:
        return self.weighted / self.precision


def _product(parts: Sequence[tuple[Floats, Floats]]) -> _Sum:
    """Multiply densities over one quantity; values and standard deviations are shaped for broadcasting."""
    if not parts:
        zero = np.zeros(1)
        return _Sum(zero, zero, zero, False)
    precision = weighted = squares = half_logs = np.zeros(1)
    for value, sd in parts:
        p = sd**-2.0
        precision, weighted = precision + p, weighted + p * value
        squares, half_logs = squares + p * value**2, half_logs + 0.5 * np.log(p)
    left = half_logs - 0.5 * np.log(precision) - 0.5 * np.maximum(0.0, squares - weighted**2 / precision)
    return _Sum(precision, weighted, left, True)


def _phi(z: Floats) -> Floats:
    """Normal distribution function for many; Abramowitz and Stegun 26.2.17 errs by 7.5e-8, so erfc itself it is."""
    phi: Floats = np.frompyfunc(lambda x: 0.5 * math.erfc(-x / math.sqrt(2.0)), 1, 1)(z).astype(float)
    return phi


NEGLIGIBLE = 1e-9
"""Combinations of so little weight are not asked for their tails."""


def fuse(
    witnesses: Sequence[Witness],
    tolerance_minus_l: float,
    tolerance_plus_l: float,
    above: float = 1.0,
    unseen: Collection[str] = (),
) -> Fusion:
    """Let all witnesses decide together whether filled − expected lies within −tolerance_minus … tolerance_plus.

    above: how likely what was seen is where filled exceeds expected, against where it does not; below 1 where an excess
    would have run out at the plug and been weighed, and nothing was. unseen: names of witnesses that nobody looked at; see
    ``Fusion.less_sure``.
    At least one must tell of the level, or one of what went in and one of what should. Raises ValueError where neither
    did, two share a name, or a tolerance is negative.
    """
    if min(tolerance_minus_l, tolerance_plus_l) < 0:
        raise ValueError(
            f"tolerances are {tolerance_minus_l} and {tolerance_plus_l} L; expected zero or more."
        )
    told = {w.about for w in witnesses}
    if About.LEVEL not in told and not {About.FILLED, About.EXPECTED} <= told:
        raise ValueError(
            "no witness tells of the level, nor of what went in and what should; nothing to judge."
        )
    if len({w.name for w in witnesses}) < len(witnesses):
        raise ValueError(f"two witnesses share a name: {', '.join(w.name for w in witnesses)}.")
    # Small numbers keep their digits: all volumes are counted from one that was said.
    from_l = next((w.value_l for w in witnesses if w.about is About.EXPECTED), 0.0)
    names: list[list[str]] = []
    parts: dict[About, list[tuple[Floats, Floats]]] = {about: [] for about in About}
    log_weight = np.zeros((1,) * len(witnesses))
    for axis, witness in enumerate(witnesses):
        own = witness.about in FROM_NOTHING
        shifted = witness if own else replace(witness, value_l=witness.value_l - from_l)
        classes, weights, values, sds = _mixture(shifted)
        shape = [1] * len(witnesses)
        shape[axis] = len(classes)
        names.append(classes)
        parts[witness.about].append((values.reshape(shape), sds.reshape(shape)))
        log_weight = log_weight + np.log(np.maximum(weights, 1e-300)).reshape(shape)
    for shared, told_by in ((About.STAND, About.LEVEL), (About.HOSE, About.FILLED)):
        for shift, _ in parts[shared]:
            parts[told_by] = [(value + shift, sd) for value, sd in parts[told_by]]
    filled, expected = _product(parts[About.FILLED]), _product(parts[About.EXPECTED])
    differences = list(parts[About.LEVEL])
    if filled.told and expected.told:
        sd = np.sqrt(1.0 / filled.precision + 1.0 / expected.precision)
        differences.append((filled.mean() - expected.mean(), sd))
    difference = _product(differences)
    log_weight = log_weight + filled.log_weight + expected.log_weight + difference.log_weight
    mean, sd = difference.mean(), difference.precision**-0.5
    weight = np.exp(log_weight - log_weight.max())
    weight = weight / weight.sum()
    mean, sd = np.broadcast_to(mean, weight.shape), np.broadcast_to(sd, weight.shape)
    heard = weight > NEGLIGIBLE
    m, s = mean[heard], sd[heard]
    below = weight[heard] / weight[heard].sum()
    seen = below * (1.0 - (1.0 - above) * _phi(m / s))
    short = below * _phi((-tolerance_minus_l - m) / s)
    over = above * below * _phi((m - tolerance_plus_l) / s)
    trusted = np.ones(m.shape, dtype=bool)
    for axis in (i for i, w in enumerate(witnesses) if w.name in unseen):
        trusted &= np.array(names[axis])[np.nonzero(heard)[axis]] == SOUND
    weight = np.zeros(weight.shape)
    weight[heard] = seen / seen.sum()
    found = {}
    for axis, witness in enumerate(witnesses):
        others = tuple(i for i in range(len(witnesses)) if i != axis)
        along = weight.sum(axis=others)
        found[witness.name] = {
            name: float(sum(p for p, n in zip(along, names[axis], strict=True) if n == name))
            for name in dict.fromkeys((SOUND, *names[axis]))
        }
    judgement, on_trust = (
        decide(float(short[of].sum() / seen[of].sum()), float(over[of].sum() / seen[of].sum()))
        for of in (np.ones(m.shape, dtype=bool), trusted)
    )
    return Fusion(judgement, found, on_trust).less_sure()
