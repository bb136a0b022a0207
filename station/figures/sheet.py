"""A job's sheet as plain text, for a terminal."""

from collections.abc import Iterable, Iterator, Mapping, Sequence

from station.common.digits import probability, stated
from station.given.report import PanStep, Report, Spoke

_VERDICTS = {
    "full": "FULL: within tolerance",
    "short": "SHORT: below tolerance",
    "over": "OVER: above tolerance",
    "undecided": "UNDECIDED: the uncertainty does not allow a verdict",
}

_PANS = {"pan": "the first pan", "pan_b": "the second pan"}


def _line(name: str, value_l: float | None, u95_l: float | None = None) -> str:
    if value_l is None:
        return f"  {name:<22} not measured"
    told = stated(value_l, u95_l)
    return f"  {name:<22} {told.value}{f' ± {told.u95}' if told.u95 else ''} L"


def _witness(row: Spoke) -> str:
    word = f": {row.word}" if row.word else ""
    doubt = f" (contradicted; {row.settles[0].lower()}{row.settles[1:]})" if row.contradicted else ""
    said = f"  {row.name:<22}" if row.says_l is None else _line(row.name, row.says_l, row.says_u95_l)
    return f"{said}{word}{doubt}"


def _step(step: PanStep) -> str:
    said = ", nobody knows yet" if step.asked else ""
    if step.says:
        said = f", the technician says {step.says}"
    moved = f"{step.kg * 1000.0:+.0f} g, {step.counted_kg * 1000.0:.0f} g of it counted as fluid"
    return f"  {step.id} {step.kind.replace('_', ' ')}: {moved}{said}"


def _figures(report: Report) -> Iterator[str]:
    yield f"Volumes at {report.reference_temperature_c:g} °C, ± U95"
    yield _line("listed capacity", report.listed_capacity_l)
    yield _line("expected fill", report.expected_fill_l, report.expected_fill_u95_l)
    yield _line("drained", report.drained_l, report.drained_u95_l)
    for pan in report.pans:
        yield _line(f"  in {_PANS[pan.source]}", pan.drained_l, pan.drained_u95_l)
    if report.still_to_come_l is not None:
        yield _line("left to drip, 30 min", report.still_to_come_l, report.still_to_come_u95_l)
    yield _line("metered", report.metered_l, report.metered_u95_l)
    yield _line("overflow", report.overflow_l, report.overflow_u95_l)
    for pan in report.pans:
        yield _line(f"  in {_PANS[pan.source]}", pan.overflow_l, pan.overflow_u95_l)
    yield _line("filled", report.filled_l, report.filled_u95_l)
    yield f"  {'level seen at plug':<22} {'yes' if report.level_seen else 'no'}"


def _verdict(report: Report) -> Iterator[str]:
    yield f"Verdict: {_VERDICTS[report.verdict]}"
    if report.verdict_text is not None:
        yield f"  {report.verdict_text}"
    odds = (("short", report.p_short), ("within", report.p_within), ("over", report.p_over))
    if told := [f"P({name}) {probability(p)}" for name, p in odds if p is not None]:
        yield f"  {', '.join(told)}"
    if report.narrows is not None:
        yield report.narrows


def _under(title: str, lines: Iterable[str]) -> list[str]:
    """Lines below their title; nothing where there are none."""
    told = list(lines)
    return [title, *told] if told else []


def text_sheet(report: Report, labels: Mapping[str, str], head: Sequence[str] = ()) -> str:
    """What a person wants to read of a job; uncertainties are U95. head: what names it beside its labels, below the title."""
    title = " · ".join(labels[key] for key in ("vehicle", "compartment", "grade") if key in labels) or "Job"
    weighed = [step for step in report.steps if step.may_answer and step.kg]
    truth = (report.truth or {}).items()
    return "\n".join(
        [
            title,
            *head,
            *_figures(report),
            *_verdict(report),
            *_under("Witnesses, each by its own word:", map(_witness, report.witnesses)),
            *_under("On the pan:", map(_step, weighed)),
            *_under("Notices:", (f"  {notice.kind}: {notice.text}" for notice in report.notices)),
            *_under("Simulated truth:", (_line(name.removesuffix("_l"), value) for name, value in truth)),
        ]
    )
