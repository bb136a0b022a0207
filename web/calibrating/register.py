"""The register of certificates and one certificate, as the pages show them."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import date
from typing import Any
from urllib.parse import quote

from calibration.certificates import Certificate
from station.calibrating.views import RegisterRow
from station.common.tabular import holds
from web.calibrating.residuals import Residuals, residuals
from web.frame import format as fmt
from web.frame.listing import Asked, Field
from web.jobs.findings import Fact

DUE_SOON_DAYS = 30
KINDS = {"pan": "Pan", "meter": "Meter"}
COLUMNS = [field.name for field in fields(RegisterRow)]
ROWS = 36
"""Readings that one page of paper holds beside the rest, in two halves."""
READINGS = {
    "step": "step",
    "place": "place",
    "pulses": "pulses",
    "load_kg": "load",
    "count": "counts",
    "sd_counts": "scatter, counts",
    "temperature_c": "°C",
    "mass_kg": "weighed",
    "flow_l_min": "flow, L/min",
    "k_factor_per_l": "K-factor, pulses/L",
}
PLACES = {"count": 0, "sd_counts": 1, "temperature_c": 1, "pulses": 0}
DONE = {"pan": "Calibration of the pan", "meter": "Proving of the meter"}


@dataclass(frozen=True)
class InUse:
    """What an instrument is measured with now, and until when. tone: good, soon, due or none."""

    title: str
    sign: str
    state: str
    tone: str
    text: str
    address: str


@dataclass(frozen=True)
class CertificateRow:
    number: str
    address: str
    what: str
    made: str
    made_by: str
    valid_until: str
    state: str
    sign: str
    tone: str
    statement: str


@dataclass(frozen=True)
class CertificatePage:
    """``/calibration/{number}``: to read and to print on one page. verdict: what came out, in a sentence. halves: the readings,
    cell by cell, for two columns; more_rows: how many there was no room for. checks: name, found, limit. text: all of it as it is kept."""

    number: str
    address: str
    what: str
    state: str
    sign: str
    tone: str
    verdict: str
    about: Sequence[Fact]
    residuals: Residuals | None
    columns: Sequence[str]
    halves: Sequence[Sequence[Sequence[str]]]
    more_rows: int
    checks: Sequence[tuple[str, str, str]]
    statement: str
    digest: str
    text: str


def address(number: str) -> str:
    return f"/calibration/{quote(number)}"


def _standing(row: RegisterRow, today: date) -> tuple[str, str, str]:
    """Word, sign and tone of a certificate."""
    days = (date.fromisoformat(row.valid_until) - today).days
    if not row.in_use:
        return ("earlier", "–", "none") if row.valid else ("ran out", "–", "none")
    if days < 0:
        return "in use, due", "⚠", "due"
    if days <= DUE_SOON_DAYS:
        return f"in use, due in {days} {'day' if days == 1 else 'days'}", "◷", "soon"
    return "in use", "✓", "good"


def _in_use(kind: str, rows: Sequence[RegisterRow], today: date) -> InUse:
    row = next((r for r in rows if r.kind == kind and r.in_use), None)
    if row is None:
        never = "Never calibrated" if kind == "pan" else "Never proved"
        text = f"{never} here: jobs use the values of the bay's configuration."
        return InUse(KINDS[kind], "⚠", "no certificate", "due", text, "")
    state, sign, tone = _standing(row, today)
    until = "Ran out on" if tone == "due" else "Valid until"
    return InUse(
        KINDS[kind],
        sign,
        state,
        tone,
        f"{row.number}. {until} {row.valid_until}.",
        address(row.number),
    )


def row_of(row: RegisterRow, today: date) -> CertificateRow:
    state, sign, tone = _standing(row, today)
    return CertificateRow(
        number=row.number,
        address=address(row.number),
        what=DONE[row.kind],
        made=fmt.moment(row.made_at),
        made_by=row.made_by,
        valid_until=row.valid_until,
        state=state,
        sign=sign,
        tone=tone,
        statement=row.statement,
    )


def in_use(rows: Sequence[RegisterRow], today: date) -> list[InUse]:
    """What each instrument is measured with."""
    return [_in_use(kind, rows, today) for kind in KINDS]


def asked(words: str, kind: str) -> Asked:
    """kind: a key of KINDS, "" for any."""
    field = Field("kind", "Of", kind, [("", "pan and meter"), *KINDS.items()])
    twins = (("CSV", "/calibration.csv"), ("JSON, with what is under way", "/calibration.json"))
    return Asked("/calibration", "Find a certificate", words, [field], twins=twins, at="#register")


def wanted(rows: Sequence[RegisterRow], form: Asked) -> list[RegisterRow]:
    """Certificates that a form asked for, in their order."""
    (kind,) = (field.value for field in form.fields)
    return [
        row
        for row in rows
        if kind in ("", row.kind)
        and holds(form.words, row.number, row.instrument, row.made_by, row.statement, row.made_at)
    ]


def _amount(name: str, value: Any) -> str:
    """A number of a certificate as people write it. name: ends in its unit."""
    if value is None or value == "":
        return fmt.UNKNOWN
    if isinstance(value, str):
        return value
    if name in ("load_kg", "mass_kg"):
        return fmt.load(round(float(value), 6))
    return fmt.decimal(float(value), PLACES.get(name, 2))


def _exact(value: float) -> str:
    """As it is kept, without an exponent."""
    return f"{value:.10f}".rstrip("0").rstrip(".")


def _verdict(certificate: Certificate, drawn: Residuals | None) -> str:
    """The outcome in one sentence, as somebody asks for it."""
    result, drawing = certificate.result, "" if drawn is None else f" {drawn.told}"
    if certificate.kind == "meter":
        budget = result.get("budget")
        if budget is None:
            return certificate.statement
        k, u95 = float(budget["value"]), float(budget["u"]) * float(budget["coverage_factor"])
        word = "Proved" if result.get("repeats", True) else "Proved, but the runs scatter too much"
        return f"{word}: {fmt.decimal(k, 2)} ± {fmt.decimal(u95, 2)} pulses/L.{drawing}"
    claim = result.get("claim")
    if claim is None:
        return f"Calibrated; no accuracy class of OIML R 76 is kept.{drawing}"
    step = fmt.significant(float(claim["interval_kg"]) * 1000.0)
    return (
        f"Calibrated; keeps the limits of OIML R 76 class {claim['class']} with steps of {step} g.{drawing}"
    )


def _about(certificate: Certificate) -> list[Fact]:
    facts = [
        Fact("Instrument", certificate.instrument),
        Fact("Made", f"{fmt.moment(certificate.made_at)}, by {certificate.made_by}"),
        Fact("Valid until", certificate.valid_until),
    ]
    if certificate.replaces is not None:
        facts.append(Fact("Replaces", certificate.replaces))
    for one in certificate.references:
        until = f", valid until {one.valid_until}" if one.valid_until else ""
        value = f"{one.name}, {_exact(one.value)} {one.unit}, u {_exact(one.u)} {one.unit}; certificate {one.certificate}{until}"
        facts.append(Fact("Reference", value))
    shown = ", ".join(
        f"{name} {value:g}" if isinstance(value, float) else f"{name} {value}"
        for name, value in certificate.conditions.items()
        if value not in ("", None)
    )
    return [*facts, Fact("Conditions", shown)] if shown else facts


def certificate_page(certificate: Certificate, row: RegisterRow, today: date) -> CertificatePage:
    """row: the same certificate's row of the register."""
    state, sign, tone = _standing(row, today)
    drawn = residuals(certificate)
    data = certificate.data
    names = [name for name in READINGS if any(cell not in (None, "") for cell in data.get(name, ()))]
    cells = list(zip(*(data[name] for name in names), strict=False))
    rows = [[_amount(name, cell) for name, cell in zip(names, row, strict=True)] for row in cells[:ROWS]]
    half = math.ceil(len(rows) / 2)
    claim = certificate.result.get("claim") or {"checks": ()}
    return CertificatePage(
        number=certificate.number,
        address=address(certificate.number),
        what=DONE[certificate.kind],
        state=state,
        sign=sign,
        tone=tone,
        verdict=_verdict(certificate, drawn),
        about=_about(certificate),
        residuals=drawn,
        columns=[READINGS[name] for name in names],
        halves=[rows[:half], rows[half:]],
        more_rows=max(0, len(cells) - ROWS),
        checks=[
            (
                check["name"],
                f"{float(check['found_kg']) * 1000.0:.3g} g".replace("-", "−"),
                f"{float(check['limit_kg']) * 1000.0:.3g} g",
            )
            for check in claim["checks"]
        ],
        statement=certificate.statement,
        digest=certificate.digest,
        text=certificate.to_text(),
    )
