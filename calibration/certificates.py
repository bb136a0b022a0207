"""Certificates: who calibrated or proved what, when, against which references, and what came out.

A certificate is a value: frozen, plain data inside, the same text whenever it is printed. Keeping it (in
the station's ledger) is not this package's job; `append` and `in_force` are the rules that a keeper follows:
nothing is overwritten, a correction is a new certificate that names the one it replaces.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import date, datetime
from hashlib import sha256
from textwrap import wrap
from typing import Any, Final, Literal, TypeGuard

from calibration.loadcell import LoadCellFit
from calibration.meter import Proving
from calibration.weighing_classes import Claim
from station.common.digits import number
from station.common.words import _

PanKind = Literal["pan", "pan_b"]
Kind = Literal[PanKind, "meter"]
KINDS: Final = ("pan", "pan_b", "meter")
"""Of what a certificate may be: pan_b is a bay's second pan."""
WIDTH: Final = 78


def is_pan(kind: str | None) -> TypeGuard[PanKind]:
    """Whether a certificate of that kind is a pan's."""
    return kind in ("pan", "pan_b")


@dataclass(frozen=True)
class Reference:
    """A standard that was used: what it is, its value and standard uncertainty, and its own certificate.

    valid_until: ISO date to which that certificate holds, None where it states none.
    """

    name: str
    value: float
    u: float
    unit: str
    certificate: str
    valid_until: str | None = None


@dataclass(frozen=True)
class Certificate:
    """One calibration of a pan or proving of a meter.

    made_at: ISO date and time with its offset. valid_until: ISO date, the last day on which it holds.
    conditions: name with unit -> value. data: column -> list of readings. result: plain data. statement:
    the outcome in one or two sentences. replaces: number of a certificate that this one corrects.
    Raises ValueError for an empty field, an unreadable or impossible date, a reference whose own
    certificate had run out, no reference at all, or data that JSON cannot carry exactly.
    """

    number: str
    kind: Kind
    instrument: str
    made_at: str
    made_by: str
    valid_until: str
    references: tuple[Reference, ...]
    conditions: Mapping[str, Any]
    data: Mapping[str, Any]
    result: Mapping[str, Any]
    statement: str
    replaces: str | None = None

    def __post_init__(self) -> None:
        for name in ("number", "instrument", "made_by", "statement"):
            if not getattr(self, name).strip():
                raise ValueError(f"certificate field {name!r} is empty. Fill it in.")
        if self.kind not in KINDS:
            raise ValueError(f"certificate kind is {self.kind!r}, expected one of {', '.join(KINDS)}.")
        made = _moment(self.made_at).date()
        if _day("valid_until", self.valid_until) < made:
            raise ValueError(f"certificate is valid until {self.valid_until}, which is before it was made.")
        if not self.references:
            raise ValueError("certificate names no reference. Enter the weights or the scale that were used.")
        for r in self.references:
            if r.valid_until is not None and _day("reference's valid_until", r.valid_until) < made:
                raise ValueError(
                    f"certificate {r.certificate!r} of reference {r.name!r} ran out on {r.valid_until}. "
                    "Have it calibrated, or use another."
                )
        for name in ("conditions", "data", "result"):
            # a copy through JSON: nobody outside can change it any more, and it will read back equal
            object.__setattr__(self, name, json.loads(_dump(name, getattr(self, name))))

    def to_json(self) -> str:
        """One line of JSON, keys sorted: the same certificate always gives the same text."""
        return _dump("certificate", asdict(self))

    @classmethod
    def from_json(cls, text: str) -> Certificate:
        """The certificate that to_json wrote. Raises ValueError if it is not one."""
        try:
            values = json.loads(text)
            values["references"] = tuple(Reference(**r) for r in values["references"])
            return cls(**values)
        except (TypeError, KeyError) as error:
            raise ValueError(f"this is not a certificate: {error}. Was the text cut or edited?") from error

    @property
    def digest(self) -> str:
        """SHA-256 of to_json: a job that names number and digest names this very text."""
        return sha256(self.to_json().encode()).hexdigest()

    def valid_on(self, day: str) -> bool:
        """Whether the certificate holds on an ISO date: made by then and not run out."""
        return _moment(self.made_at).date() <= _day("day", day) <= _day("valid_until", self.valid_until)

    def age_days(self, day: str) -> float:
        """Days from when it was made to an ISO date; none before that."""
        return max(0.0, float((_day("day", day) - _moment(self.made_at).date()).days))

    def to_text(self) -> str:
        """The certificate for people, in plain text of at most 78 columns where the data allow it."""
        titles = {
            "pan": "Calibration of a pan",
            "pan_b": "Calibration of a second pan",
            "meter": "Proving of a meter",
        }
        title = titles[self.kind]
        statement = wrap(self.statement, WIDTH)
        lines = [title, "=" * WIDTH, *_rows(self._head()), "", *statement, "", "References"]
        for r in self.references:
            until = f", valid until {r.valid_until}" if r.valid_until is not None else ", no end stated"
            lines.append(f"  {r.name}: {r.value:.10g} {r.unit}, u {r.u:.2g} {r.unit}")
            lines.append(f"    certificate {r.certificate}{until}")
        lines += ["", "Conditions", *_rows(self.conditions), "", "Readings", *_columns(self.data)]
        lines += ["", "Result", *_rows(self.result), "", f"Check sum (SHA-256): {self.digest}"]
        return "\n".join(lines) + "\n"

    def _head(self) -> dict[str, Any]:
        head = {
            "number": self.number,
            "instrument": self.instrument,
            "made at": self.made_at,
            "made by": self.made_by,
            "valid until": self.valid_until,
        }
        return head if self.replaces is None else {**head, "replaces": self.replaces}


def pan_result(fit: LoadCellFit, claim: Claim | None) -> tuple[dict[str, Any], str]:
    """(result, statement) of a pan's certificate."""
    result: dict[str, Any] = {
        "fit": fit.to_dict(),
        "u_slope_rel": fit.u_slope_rel,
    }
    said = _(
        "Chosen form: {reason}. Relative standard uncertainty of the slope: {u_slope_percent} %."
    ).format(reason=fit.reason, u_slope_percent=number(fit.u_slope_rel * 100.0, ".2g"))
    if claim is None:
        return {**result, "claim": None}, f"{said} {_('No accuracy class of OIML R 76 is kept.')}"
    result["claim"] = {
        "class": claim.weighing_class,
        "interval_kg": claim.interval_kg,
        "checks": [{"name": c.name, "found_kg": c.found_kg, "limit_kg": c.limit_kg} for c in claim.checks],
        "not_examined": list(claim.not_examined),
    }
    missing = ""
    if claim.not_examined:
        missing = _("Not examined: {findings}.").format(findings=", ".join(map(_, claim.not_examined)))
    kept = _(
        "All findings keep the limits of OIML R 76 class {weighing_class} with an interval of {interval_g} g; this is a comparison, no verification."
    ).format(weighing_class=claim.weighing_class, interval_g=number(claim.interval_kg * 1000.0, "g"))
    return result, " ".join(part for part in (said, kept, missing) if part)


def meter_result(proving: Proving, target_u95_rel: float) -> tuple[dict[str, Any], str]:
    """(result, statement) of a meter's certificate; target as in meter.repeatability_limit_percent."""
    b, repeats = proving.budget, proving.repeats(target_u95_rel)
    result = {
        "k_factor_per_l": b.value,
        "budget": b.to_dict(),
        "repeatability_percent": proving.repeatability_percent,
        "target_u95_rel": target_u95_rel,
        "repeats": repeats,
    }
    text = (
        _(
            "K-factor {value} pulses/L, U95 {u95} pulses/L ({u95_rel}). The {n} runs lie within {repeatability_percent} % of each other, which keeps the limit for ± {target_u95_rel} (API MPMS 4.8)."
        )
        if repeats
        else _(
            "K-factor {value} pulses/L, U95 {u95} pulses/L ({u95_rel}). The {n} runs lie within {repeatability_percent} % of each other, which does not keep the limit for ± {target_u95_rel} (API MPMS 4.8)."
        )
    )
    return result, (
        text.format(
            value=number(b.value, ".6g"),
            u95=number(b.u95, ".2g"),
            u95_rel=number(b.u95 / b.value, ".2%"),
            n=len(proving.runs_k_per_l),
            repeatability_percent=number(proving.repeatability_percent, ".3f"),
            target_u95_rel=number(target_u95_rel, ".2%"),
        )
    )


def append(register: Sequence[Certificate], certificate: Certificate) -> tuple[Certificate, ...]:
    """The register with one more certificate at its end; the given register stays as it is.

    Raises ValueError if the number is taken, or if it replaces one that is not there, belongs to another
    instrument or has been replaced already.
    """
    known = {c.number: c for c in register}
    if certificate.number in known:
        raise ValueError(f"certificate number {certificate.number!r} is taken. Nothing is overwritten.")
    if certificate.replaces is not None:
        old = known.get(certificate.replaces)
        if old is None or (old.kind, old.instrument) != (certificate.kind, certificate.instrument):
            raise ValueError(
                f"certificate {certificate.number!r} replaces {certificate.replaces!r}, which is no certificate "
                f"of {certificate.instrument!r}. Check the number."
            )
        if any(c.replaces == old.number for c in register):
            raise ValueError(f"certificate {old.number!r} has been replaced already. Replace the newer one.")
    return (*register, certificate)


def in_force(register: Sequence[Certificate], kind: Kind, instrument: str, day: str) -> Certificate | None:
    """The newest certificate of an instrument that holds on an ISO date and was not replaced, or None."""
    replaced = {c.replaces for c in register}
    candidates = [
        c
        for c in register
        if (c.kind, c.instrument) == (kind, instrument) and c.number not in replaced and c.valid_on(day)
    ]
    return max(candidates, key=lambda c: _moment(c.made_at), default=None)


def _dump(name: str, value: Any) -> str:
    try:
        return json.dumps(value, sort_keys=True, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    except (TypeError, ValueError) as error:
        raise ValueError(f"certificate field {name!r} is no plain data: {error}.") from error


def _moment(text: str) -> datetime:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"certificate was made at {text!r}, expected 2026-03-01T14:30:00+00:00.") from None
    if moment.tzinfo is None:
        raise ValueError(
            f"certificate was made at {text!r}, expected an offset such as +00:00 after the time."
        )
    return moment


def _day(name: str, text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{name} is {text!r}, expected a date such as 2026-03-01.") from None


def _rows(values: Mapping[str, Any], indent: int = 2) -> list[str]:
    lines = []
    for name, value in values.items():
        if isinstance(value, dict):
            lines += [f"{' ' * indent}{name}", *_rows(value, indent + 2)]
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            lines.append(f"{' ' * indent}{name}")
            for item in value:
                lines.append(" " * (indent + 2) + ", ".join(f"{k} {_shown(v)}" for k, v in item.items()))
        else:
            space = " " * indent
            lines += wrap(
                f"{name}: {_shown(value)}", WIDTH, initial_indent=space, subsequent_indent=space + "  "
            )
    return lines


def _columns(data: Mapping[str, Any]) -> list[str]:
    names, lists = list(data), [v if isinstance(v, list) else [v] for v in data.values()]
    cells = [[name, *(_shown(x) for x in column)] for name, column in zip(names, lists, strict=True)]
    height = max((len(column) for column in cells), default=0)
    widths = [max(len(x) for x in column) for column in cells]
    return [
        "  " + "  ".join((c[i] if i < len(c) else "").rjust(w) for c, w in zip(cells, widths, strict=True))
        for i in range(height)
    ]


def _shown(value: Any) -> str:
    if value is None:
        return "-"
    if isinstance(value, float):
        return f"{value:.10g}"
    if isinstance(value, list):
        return ", ".join(_shown(x) for x in value)
    return str(value)
