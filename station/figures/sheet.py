"""A job's sheet as plain text, for a terminal."""

from collections.abc import Mapping
from typing import Any

from station.common.digits import stated

_VERDICTS = {
    "full": "FULL: within tolerance",
    "short": "SHORT: below tolerance",
    "over": "OVER: above tolerance",
    "undecided": "UNDECIDED: the uncertainty does not allow a verdict",
}


def _line(name: str, value_l: float | None, u95_l: float | None = None) -> str:
    if value_l is None:
        return f"  {name:<22} not measured"
    told = stated(value_l, u95_l)
    return f"  {name:<22} {told.value}{f' ± {told.u95}' if told.u95 else ''} L"


def _witness(row: Mapping[str, Any]) -> str:
    word = f": {row['word']}" if row["word"] else ""
    doubt = (
        "" if row["p_sound"] >= 0.5 else f" (contradicted; {row['settles'][0].lower()}{row['settles'][1:]})"
    )
    return f"{_line(row['name'], row['says_l'], row['says_u95_l'])}{word}{doubt}"


def _step(step: Mapping[str, Any]) -> str:
    grams, counted = step["kg"] * 1000.0, step["counted_kg"] * 1000.0
    said = (
        f", the technician says {step['says']}"
        if step["says"]
        else ", nobody knows yet"
        if step["asked"]
        else ""
    )
    return f"  {step['id']} {step['kind'].replace('_', ' ')}: {grams:+.0f} g, {counted:.0f} g of it counted as fluid{said}"


def text_sheet(report: Mapping[str, Any], labels: Mapping[str, str]) -> str:
    """What a person wants to read of ``balance.report``; uncertainties are U95."""
    title = " · ".join(labels[key] for key in ("vehicle", "compartment", "grade") if key in labels) or "Job"
    lines = [
        title,
        f"Volumes at {report['reference_temperature_c']:g} °C, ± U95",
        _line("listed capacity", report["listed_capacity_l"]),
        _line("expected fill", report["expected_fill_l"], report["expected_fill_u95_l"]),
        _line("drained", report["drained_l"], report["drained_u95_l"]),
        _line("metered", report["metered_l"], report["metered_u95_l"]),
        _line("overflow", report["overflow_l"], report["overflow_u95_l"]),
        _line("filled", report["filled_l"], report["filled_u95_l"]),
    ]
    if report["still_to_come_l"] is not None:
        lines.insert(
            5, _line("  left to drip (30 min)", report["still_to_come_l"], report["still_to_come_u95_l"])
        )
    lines.append(f"  {'level seen at plug':<22} {'yes' if report['level_seen'] else 'no'}")
    lines.append(f"Verdict: {_VERDICTS[report['verdict']]}")
    if report["verdict_text"] is not None:
        lines.append(f"  {report['verdict_text']}")
    if report["p_within"] is not None:
        lines.append(
            f"  P(short) {report['p_short']:.3f}  P(within) {report['p_within']:.3f}  P(over) {report['p_over']:.3f}"
        )
    if report["narrows"] is not None:
        lines.append(report["narrows"])
    if report["witnesses"]:
        lines.append("Witnesses, each by its own word:")
        lines.extend(_witness(row) for row in report["witnesses"])
    weighed = [step for step in report["steps"] if step["may_answer"] and step["kg"]]
    if weighed:
        lines.append("On the pan:")
        lines.extend(_step(step) for step in weighed)
    if report["notices"]:
        lines.append("Notices:")
        lines.extend(f"  {notice['kind']}: {notice['text']}" for notice in report["notices"])
    if "truth" in report:
        lines.append("Simulated truth:")
        lines.extend(_line(name.removesuffix("_l"), value) for name, value in report["truth"].items())
    return "\n".join(lines)
