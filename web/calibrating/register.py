"""The register of certificates and one certificate, as the pages show them."""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import date
from urllib.parse import quote

from calibration.certificates import Certificate
from station.calibrating.views import RegisterRow
from station.common.tabular import holds
from web.frame import format as fmt
from web.frame.listing import Asked, Field

DUE_SOON_DAYS = 30
KINDS = {"pan": "Pan", "meter": "Meter"}
COLUMNS = [field.name for field in fields(RegisterRow)]
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
    """``/calibration/{number}``: to read and to print."""

    number: str
    address: str
    what: str
    state: str
    sign: str
    tone: str
    statement: str
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


def certificate_page(certificate: Certificate, row: RegisterRow, today: date) -> CertificatePage:
    """row: the same certificate's row of the register."""
    state, sign, tone = _standing(row, today)
    return CertificatePage(
        number=certificate.number,
        address=address(certificate.number),
        what=DONE[certificate.kind],
        state=state,
        sign=sign,
        tone=tone,
        statement=certificate.statement,
        text=certificate.to_text(),
    )
