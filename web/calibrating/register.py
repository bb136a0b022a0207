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
from station.common.words import N_, _, ngettext
from web.calibrating.guide import NAMES
from web.calibrating.residuals import Residuals, residuals
from web.frame import format as fmt
from web.frame.listing import Asked, Field
from web.jobs.findings import Fact

DUE_SOON_DAYS = 30
KINDS = {"pan": N_("Pan"), "pan_b": N_("Second pan"), "meter": N_("Meter")}
COLUMNS = [field.name for field in fields(RegisterRow)]
ROWS = 36
"""Readings that one page of paper holds beside the rest, in two halves."""
READINGS = {
    "step": N_("step"),
    "place": N_("place"),
    "pulses": N_("pulses"),
    "load_kg": N_("load"),
    "count": N_("counts"),
    "sd_counts": N_("scatter, counts"),
    "temperature_c": "°C",
    "mass_kg": N_("weighed"),
    "flow_l_min": N_("flow, L/min"),
    "k_factor_per_l": N_("K-factor, pulses/L"),
}
CONDITIONS = (N_("air °C"), N_("remarks"))
"""Names of what a certificate says of its conditions."""
PLACES = {"count": 0, "sd_counts": 1, "temperature_c": 1, "pulses": 0}
DONE = {
    "pan": N_("Calibration of the pan"),
    "pan_b": N_("Calibration of the second pan"),
    "meter": N_("Proving of the meter"),
}


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
        return (_("earlier"), "–", "none") if row.valid else (_("ran out"), "–", "none")
    if days < 0:
        return _("in use, due"), "⚠", "due"
    if days <= DUE_SOON_DAYS:
        text = ngettext("in use, due in {n} day", "in use, due in {n} days", days)
        return text.format(n=days), "◷", "soon"
    return _("in use"), "✓", "good"


def _in_use(kind: str, rows: Sequence[RegisterRow], today: date) -> InUse:
    row = next((r for r in rows if r.kind == kind and r.in_use), None)
    if row is None:
        text = (
            _("Never calibrated here: jobs use the values of the bay's configuration.")
            if kind != "meter"
            else _("Never proved here: jobs use the values of the bay's configuration.")
        )
        return InUse(_(KINDS[kind]), "⚠", _("no certificate"), "due", text, "")
    state, sign, tone = _standing(row, today)
    until = _("{number}. Ran out on {day}.") if tone == "due" else _("{number}. Valid until {day}.")
    return InUse(
        _(KINDS[kind]),
        sign,
        state,
        tone,
        until.format(number=row.number, day=fmt.dated(row.valid_until)),
        address(row.number),
    )


def row_of(row: RegisterRow, today: date) -> CertificateRow:
    state, sign, tone = _standing(row, today)
    return CertificateRow(
        number=row.number,
        address=address(row.number),
        what=_(DONE[row.kind]),
        made=fmt.moment(row.made_at),
        made_by=row.made_by,
        valid_until=fmt.dated(row.valid_until),
        state=state,
        sign=sign,
        tone=tone,
        statement=_(row.statement),
    )


def kinds(two_pans: bool) -> list[str]:
    """Of what a bay's certificates are."""
    return [kind for kind in KINDS if two_pans or kind != "pan_b"]


def in_use(rows: Sequence[RegisterRow], today: date, two_pans: bool) -> dict[str, InUse]:
    """What each instrument is measured with, by its kind."""
    return {kind: _in_use(kind, rows, today) for kind in kinds(two_pans)}


def asked(words: str, kind: str, two_pans: bool) -> Asked:
    """kind: a key of KINDS, "" for any."""
    choices = [("", _("pan and meter")), *((key, _(KINDS[key])) for key in kinds(two_pans))]
    field = Field("kind", _("Of"), kind, choices)
    twins = (("CSV", "/calibration.csv"), (_("JSON, with what is under way"), "/calibration.json"))
    return Asked("/calibration", _("Find a certificate"), words, [field], twins=twins, at="#register")


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
    if name == "step" and value in NAMES:
        return _(NAMES[value])
    if isinstance(value, str):
        return _(value)
    if name in ("load_kg", "mass_kg"):
        return fmt.load(round(float(value), 6))
    return fmt.decimal(float(value), PLACES.get(name, 2))


def _exact(value: float) -> str:
    """As it is kept, without an exponent."""
    return fmt.typed(f"{value:.10f}".rstrip("0").rstrip("."))


def _verdict(certificate: Certificate, drawn: Residuals | None) -> str:
    """The outcome in one sentence, as somebody asks for it."""
    result, drawing = certificate.result, "" if drawn is None else f" {drawn.told}"
    if certificate.kind == "meter":
        budget = result.get("budget")
        if budget is None:
            return _(certificate.statement)
        k, u95 = float(budget["value"]), float(budget["u"]) * float(budget["coverage_factor"])
        word = _("Proved") if result.get("repeats", True) else _("Proved, but the runs scatter too much")
        return (
            _("{word}: {k} ± {u95} pulses/L.").format(word=word, k=fmt.decimal(k, 2), u95=fmt.decimal(u95, 2))
            + drawing
        )
    claim = result.get("claim")
    if claim is None:
        return _("Calibrated; no accuracy class of OIML R 76 is kept.") + drawing
    step = fmt.significant(float(claim["interval_kg"]) * 1000.0)
    kept = (
        _("Calibrated; what was examined keeps the limits of OIML R 76 class {name} with steps of {step} g.")
        if claim.get("not_examined")
        else _("Calibrated; keeps the limits of OIML R 76 class {name} with steps of {step} g.")
    )
    return kept.format(name=claim["class"], step=step) + drawing


def _about(certificate: Certificate) -> list[Fact]:
    facts = [
        Fact(_("Instrument"), certificate.instrument),
        Fact(
            _("Made"),
            _("{when}, by {name}").format(when=fmt.moment(certificate.made_at), name=certificate.made_by),
        ),
        Fact(_("Valid until"), fmt.dated(certificate.valid_until)),
    ]
    if certificate.replaces is not None:
        facts.append(Fact(_("Replaces"), certificate.replaces))
    for one in certificate.references:
        in_g = one.unit == "kg" and 0.0 < one.u < 0.001
        value = _("{name}, {value} {unit}, u {u} {u_unit}; certificate {certificate}").format(
            name=one.name,
            value=_exact(one.value),
            unit=one.unit,
            u=_exact(one.u * 1000.0 if in_g else one.u),
            u_unit="g" if in_g else one.unit,
            certificate=one.certificate,
        )
        if one.valid_until:
            value = _("{what}, valid until {day}").format(what=value, day=fmt.dated(one.valid_until))
        facts.append(Fact(_("Reference"), value))
    shown = ", ".join(
        f"{_(name)} {fmt.general(value)}" if isinstance(value, float) else f"{_(name)} {value}"
        for name, value in certificate.conditions.items()
        if value not in ("", None)
    )
    return [*facts, Fact(_("Conditions"), shown)] if shown else facts


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
        what=_(DONE[certificate.kind]),
        state=state,
        sign=sign,
        tone=tone,
        verdict=_verdict(certificate, drawn),
        about=_about(certificate),
        residuals=drawn,
        columns=[_(READINGS[name]) for name in names],
        halves=[rows[:half], rows[half:]],
        more_rows=max(0, len(cells) - ROWS),
        checks=[
            (
                _(check["name"]),
                f"{fmt.general(float(check['found_kg']) * 1000.0, 3)} g",
                f"{fmt.general(float(check['limit_kg']) * 1000.0, 3)} g",
            )
            for check in claim["checks"]
        ],
        statement=_(certificate.statement),
        digest=certificate.digest,
        text=certificate.to_text(),
    )
