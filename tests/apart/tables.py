"""What the trials come to, as Markdown."""

import math
from collections import Counter, defaultdict
from collections.abc import Sequence

from tests.apart.trials import OFFS, UNKNOWABLE, Trial

VEHICLE = frozenset({"not level", "listing"})
"""Where no witness of the fill itself is wrong."""
STANDS = ("level and ticked", "level and not ticked", "off level and ticked", "off level and not ticked")
SAID = ("full", "undecided", "short", "over", "refused")


def share(hits: int, n: int) -> str:
    """With exact limits (C. Clopper and E. Pearson, Biometrika 26 (1934) 404), by scipy's beta distribution."""
    from scipy import stats  # takes a second, which is for those who make tables

    if n == 0:
        return "none played"
    low = float(stats.beta.ppf(0.025, hits, n - hits + 1)) if hits else 0.0
    high = float(stats.beta.ppf(0.975, hits + 1, n - hits)) if hits < n else 1.0
    return f"{hits} of {n}: {100 * hits / n:.1f} % ({100 * low:.1f} to {100 * high:.1f})"


def _covered(off_l: float, u95_l: float) -> bool:
    return math.isfinite(off_l) and abs(off_l) <= u95_l


def decided_wrong(trials: Sequence[Trial]) -> list[Trial]:
    return [t for t in trials if t.wrong]


def beyond_u95(trials: Sequence[Trial]) -> list[Trial]:
    return [t for t in trials if t.wrong and not t.beyond_l <= t.verdict_u95_l]


def drained_covered(trials: Sequence[Trial]) -> tuple[int, int]:
    """Pan faults are in: their sizes are within what a pan may be believed."""
    told = [t for t in trials if not t.refused]
    return sum(_covered(t.drained_off_l, t.drained_u95_l) for t in told), len(told)


def filled_covered(trials: Sequence[Trial]) -> tuple[int, int]:
    told = [t for t in trials if not t.refused and not UNKNOWABLE & set(t.faults)]
    return sum(_covered(t.filled_off_l, t.filled_u95_l) for t in told), len(told)


def undecided(trials: Sequence[Trial]) -> tuple[int, int]:
    """The station's and the best observer's."""
    told = [t for t in trials if not t.refused]
    return sum(t.verdict == "undecided" for t in told), sum(t.ideal == "undecided" for t in told)


def shop_text(trials: Sequence[Trial]) -> str:
    told = [t for t in trials if not t.refused]
    decided = [t for t in told if t.verdict != "undecided"]
    best_decided = [t for t in told if t.ideal != "undecided"]
    ours, best = undecided(trials)
    wrong, far = decided_wrong(told), beyond_u95(told)
    plain = [t for t in told if not VEHICLE & set(t.faults)]
    ratio = f"{ours / best:.2f} ×" if best else "-"
    rows = [
        ("refused by the station", "none", share(len(trials) - len(told), len(trials))),
        ("instrument faults among them", "a third", share(sum(t.instrument_fault for t in told), len(told))),
        ("decided verdict wrong", "at most 0.5 %", share(len(wrong), len(decided))),
        ("… past the limit by more than U95", "none", share(len(far), len(decided))),
        (
            "… said full, is short",
            "none",
            share(sum(t.verdict == "full" and t.true_verdict == "short" for t in told), len(decided)),
        ),
        (
            "… of vehicles that stand level and are listed right",
            "at most 0.5 %",
            share(len(decided_wrong(plain)), sum(t.verdict != "undecided" for t in plain)),
        ),
        (
            "the best observer's decided verdict wrong",
            "",
            share(sum(t.ideal != t.true_verdict for t in best_decided), len(best_decided)),
        ),
        ("undecided", f"at most 1.3 × the best observer's {best}", f"{share(ours, len(told))}; {ratio}"),
        ("drained: true value within U95", "94 to 97 %", share(*drained_covered(trials))),
        (
            "filled: within U95, meter, foam, level and listing faults left out",
            "94 to 97 %",
            share(*filled_covered(trials)),
        ),
    ]
    lines = ["| figure | goal | measured (95 % limits) |", "|---|---|---|"]
    lines += [f"| {name} | {goal} | {measured} |" for name, goal, measured in rows]
    return "\n".join(lines)


def truth_text(trials: Sequence[Trial]) -> str:
    """What was so, against what was said and what the best observer would have said."""
    lines = ["| truth | who | " + " | ".join(SAID) + " |", "|---" * (len(SAID) + 2) + "|"]
    for truth in ("full", "short", "over"):
        some = [t for t in trials if t.true_verdict == truth]
        for who, said in (
            ("station", Counter(t.verdict for t in some)),
            ("best observer", Counter(t.ideal for t in some)),
        ):
            lines.append(
                f"| {truth} ({len(some)}) | {who} | " + " | ".join(str(said[v]) for v in SAID) + " |"
            )
    return "\n".join(lines)


def fault_text(trials: Sequence[Trial]) -> str:
    by: dict[str, list[Trial]] = defaultdict(list)
    for t in trials:
        for fault in t.faults or ("none",):
            by[fault].append(t)
    lines = [
        "| fault | jobs | wrong | undecided | best observer undecided | drained within U95 | filled within U95 |",
        "|---|---|---|---|---|---|---|",
    ]
    for fault, some in sorted(by.items()):
        told = [t for t in some if not t.refused]
        n = len(told)
        drained = sum(_covered(t.drained_off_l, t.drained_u95_l) for t in told)
        filled = sum(_covered(t.filled_off_l, t.filled_u95_l) for t in told)
        ours, best = undecided(told)
        lines.append(
            f"| {fault} | {n} | {len(decided_wrong(told))} | {ours} | {best} | {drained} | {filled} |"
        )
    return "\n".join(lines)


def stands_text(trials: Sequence[Trial]) -> str:
    """What it is worth that somebody said the vehicle stands level."""
    lines = [
        "| vehicle | jobs | full | wrong | undecided | best observer wrong | best observer undecided |",
        "|---|---|---|---|---|---|---|",
    ]
    for stands in STANDS:
        told = [t for t in trials if t.stands == stands and not t.refused]
        ours, best = undecided(told)
        said_full = sum(t.verdict == "full" for t in told)
        best_wrong = sum(t.ideal not in ("undecided", t.true_verdict) for t in told)
        lines.append(
            f"| {stands} | {len(told)} | {said_full} | {len(decided_wrong(told))} | {ours} | {best_wrong} | {best} |"
        )
    return "\n".join(lines)


def meter_text(trials: Sequence[Trial]) -> str:
    lines = [
        "| meter counts | fill ends | truly full, short, over | " + " | ".join(SAID) + " | wrong |",
        "|---" * (len(SAID) + 4) + "|",
    ]
    for off in OFFS:
        group = f"{100 * off:+.0f} %"
        for series in ("meter, to the target", "meter, to the lip"):
            some = [t for t in trials if t.series == series and t.group == group]
            said, true = Counter(t.verdict for t in some), Counter(t.true_verdict for t in some)
            truth = ", ".join(str(true[v]) for v in ("full", "short", "over"))
            lines.append(
                f"| {group} | {series.removeprefix('meter, ')} | {truth} | "
                + " | ".join(str(said[v]) for v in SAID)
                + f" | {len(decided_wrong(some))} |"
            )
    return "\n".join(lines)


def air_told(t: Trial) -> bool:
    """Air is named, or the verdict left open."""
    return t.verdict == "undecided" or any("air" in kind for kind in t.kinds)


def series_text(trials: Sequence[Trial]) -> str:
    air = [t for t in trials if t.series == "air"]
    warm = [t for t in trials if t.series == "temperature"]
    density = [t for t in trials if t.series == "density"]
    covered, n = drained_covered(density)
    lines = ["| series | goal | measured (95 % limits) |", "|---|---|---|"]
    for group in sorted({t.group for t in air}, key=lambda g: float(g.split()[0])):
        some = [t for t in air if t.group == group]
        named = sum(any("air" in kind for kind in t.kinds) for t in some)
        lines.append(
            f"| 100 mL of air at {group}: told or undecided | 95 % | {share(sum(map(air_told, some)), len(some))}; named in {named} |"
        )
    lines.append(
        f"| 100 mL of air, all: told or undecided | 95 % | {share(sum(map(air_told, air)), len(air))} |"
    )
    bad = [t for t in warm if t.verdict in ("short", "over")]
    full = [t for t in warm if t.verdict == "full"]
    lines.append(
        f"| to the lip at 4 to 38 °C: said short or over | none | {share(len(bad), len(warm))}; full in {len(full)} |"
    )
    lines.append(
        f"| used density 0.9 % off, origin unknown: drained within U95 | at least 94 % | {share(covered, n)} |"
    )
    return "\n".join(lines)


def to_look_at(trials: Sequence[Trial]) -> list[str]:
    found = [f"{t.series} {t.seed}: refused: {t.refused}" for t in trials if t.refused][:3]
    for t in sorted(decided_wrong(trials), key=lambda t: -t.beyond_l)[:25]:
        found.append(
            f"{t.series} {t.seed}: said {t.verdict} (P within {t.p_within:.3f}; best observer {t.ideal}, {t.ideal_p_within:.3f}), "
            f"{1000 * t.below_lip_l:+.0f} mL below the lip, tolerance {1000 * t.tolerance_l:.0f}, past the limit by "
            f"{1000 * t.beyond_l:.0f}, U95 {1000 * t.verdict_u95_l:.0f}; {t.stands}, stops at the {t.stops}, faults {', '.join(t.faults) or 'none'}, "
            f"notices {', '.join(t.kinds) or 'none'}"
        )
    return found
