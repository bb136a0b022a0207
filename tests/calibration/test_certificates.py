from collections.abc import Callable
from dataclasses import FrozenInstanceError, replace
from typing import Any

import numpy as np
import pytest

from calibration import certificates as c
from calibration.fluid import Fluid
from calibration.loadcell import LoadCellFit, calibrate
from calibration.meter import prove
from calibration.weighing_classes import Findings, claim

COUNTS = [84213, 294258, 1134438, 2184663, 1134440, 294260, 84214]
MASSES = [0.0, 1.0, 5.0, 10.0, 5.0, 1.0, 0.0]
WEIGHT = c.Reference("weight 5 kg", 5.0, 8e-6, "kg", "W-0417", "2027-03-31")


def pan(number: str = "P-1", **changes: Any) -> c.Certificate:
    fit = calibrate(COUNTS, MASSES, use_from_kg=0.0, use_to_kg=10.0, u_reference_rel=2e-6)
    errors = tuple((m, float(fit.mass_kg(float(x))) - m) for x, m in zip(COUNTS, MASSES, strict=True))
    result, statement = c.pan_result(fit, claim(Findings(10.0, errors)))
    values: dict[str, Any] = {
        "number": number, "kind": "pan", "instrument": "bay 2 pan", "made_at": "2026-03-01T14:30:00+00:00",
        "made_by": "R. Example", "valid_until": "2027-02-28", "references": (WEIGHT,),
        "conditions": {"air_c": 19.5, "pressure_hpa": 1008.0},
        "data": {"mass_kg": MASSES, "counts": COUNTS}, "result": result, "statement": statement,
    }  # fmt: skip
    return c.Certificate(**{**values, **changes})


def test_json_round_trip_is_exact() -> None:
    one = pan()
    assert c.Certificate.from_json(one.to_json()) == one
    assert c.Certificate.from_json(one.to_json()).digest == one.digest
    assert "\n" not in one.to_json()


def test_the_fit_comes_back_out_of_the_certificate() -> None:
    fit = calibrate(COUNTS, MASSES, use_from_kg=0.0, use_to_kg=10.0, u_reference_rel=2e-6)
    again = LoadCellFit.from_dict(c.Certificate.from_json(pan().to_json()).result["fit"])
    assert again == fit
    assert again.mass_kg(1_000_000) == fit.mass_kg(1_000_000)


def test_any_change_changes_the_digest() -> None:
    one = pan()
    for changed in (
        replace(one, made_by="S. Example"),
        replace(one, data={**one.data, "counts": [x + 1 for x in COUNTS]}),
        replace(one, references=(replace(WEIGHT, u=9e-6),)),
    ):
        assert changed.digest != one.digest


def test_nobody_can_change_it_from_outside() -> None:
    readings: dict[str, list[float]] = {"mass_kg": [*MASSES], "counts": [*COUNTS]}
    one = pan(data=readings)
    digest = one.digest
    readings["counts"][0] = 0
    assert one.digest == digest
    with pytest.raises(FrozenInstanceError):
        one.number = "P-2"  # type: ignore[misc]


def test_print_shows_who_when_against_what_and_the_outcome() -> None:
    text = pan().to_text()
    for words in (
        "Calibration of a pan", "number: P-1", "made by: R. Example", "made at: 2026-03-01T14:30:00+00:00",
        "valid until: 2027-02-28", "weight 5 kg: 5 kg, u 8e-06 kg", "certificate W-0417, valid until 2027-03-31",
        "air_c: 19.5", "2184663", "class III", "this is a comparison,", "Not examined: hysteresis",
        f"Check sum (SHA-256): {pan().digest}",
    ):  # fmt: skip
        assert words in text or words in " ".join(text.split())
    assert max(len(line) for line in text.splitlines()) <= 88
    assert "replaces" not in text
    assert "replaces: P-1" in pan("P-2", replaces="P-1").to_text()
    assert "no end stated" in pan(references=(replace(WEIGHT, valid_until=None),)).to_text()


def test_readings_stand_in_columns() -> None:
    lines = pan().to_text().splitlines()
    at = lines.index("Readings")
    assert lines[at + 1].split() == ["counts", "mass_kg"]
    assert [line.split() for line in lines[at + 2 : at + 9]] == [
        [str(x), f"{m:g}"] for m, x in zip(MASSES, COUNTS, strict=True)
    ]


def test_meter_certificate_states_k_and_whether_it_repeats() -> None:
    oil = Fluid.from_table({"kind": "lubricant", "density_15_kg_m3": 871.0})
    proving = prove([2000, 2001, 2002, 2001, 2001], [4.3] * 5, 20.0, oil)
    result, statement = c.meter_result(proving, 0.001)
    assert result["k_factor_per_l"] == proving.k_factor_per_l
    assert "keeps the limit for ± 0.10%" in statement
    assert "does not keep the limit" in c.meter_result(proving, 0.00027)[1]
    one = pan("M-1", kind="meter", instrument="bay 2 meter", result=result, statement=statement)
    assert c.Certificate.from_json(one.to_json()) == one
    assert "scatter of the runs" in one.to_text()


def test_a_pan_that_keeps_no_class_says_so() -> None:
    fit = calibrate(COUNTS, MASSES, use_from_kg=0.0, use_to_kg=10.0)
    result, statement = c.pan_result(fit, None)
    assert result["claim"] is None
    assert "No accuracy class of OIML R 76 is kept" in statement


def test_register_only_grows() -> None:
    first, second = pan("P-1"), pan("P-2", made_at="2026-06-01T08:00:00+02:00")
    register = c.append((), first)
    longer = c.append(register, second)
    assert register == (first,)
    assert longer == (first, second)
    with pytest.raises(ValueError, match=r"number 'P-1' is taken. Nothing is overwritten"):
        c.append(longer, replace(first, made_by="S. Example"))


def test_newest_valid_certificate_is_in_force() -> None:
    register = c.append(c.append((), pan("P-1")), pan("P-2", made_at="2026-06-01T08:00:00+02:00"))
    force = [
        c.in_force(register, "pan", "bay 2 pan", day) for day in ("2026-02-28", "2026-03-01", "2026-06-01")
    ]
    assert [x.number if x is not None else None for x in force] == [None, "P-1", "P-2"]
    assert c.in_force(register, "pan", "bay 2 pan", "2027-02-28") is not None
    assert c.in_force(register, "pan", "bay 2 pan", "2027-03-01") is None
    assert c.in_force(register, "meter", "bay 2 pan", "2026-06-01") is None
    assert c.in_force(register, "pan", "bay 3 pan", "2026-06-01") is None


def test_a_correction_replaces_without_erasing() -> None:
    wrong = pan("P-2", made_at="2026-06-01T08:00:00+00:00")
    right = pan("P-3", made_at="2026-05-30T08:00:00+00:00", replaces="P-2")
    register = c.append(c.append(c.append((), pan("P-1")), wrong), right)
    assert wrong in register
    found = c.in_force(register, "pan", "bay 2 pan", "2026-07-01")
    assert found is not None
    assert found.number == "P-3"


@pytest.mark.parametrize(
    ("newcomer", "words"),
    [
        (lambda: pan("P-9", replaces="P-7"), "replaces 'P-7', which is no certificate of 'bay 2 pan'"),
        (lambda: pan("P-9", replaces="P-1", instrument="bay 3 pan"), "no certificate of 'bay 3 pan'"),
        (lambda: pan("P-9", replaces="P-1"), "'P-1' has been replaced already"),
    ],
)
def test_a_correction_of_nothing_is_refused(newcomer: Callable[[], c.Certificate], words: str) -> None:
    register = c.append(c.append((), pan("P-1")), pan("P-2", replaces="P-1"))
    with pytest.raises(ValueError, match=words):
        c.append(register, newcomer())


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"number": " "}, "field 'number' is empty"),
        ({"made_by": ""}, "field 'made_by' is empty"),
        ({"kind": "pump"}, "kind is 'pump', expected one of pan, pan_b, meter"),
        ({"made_at": "yesterday"}, "made at 'yesterday', expected 2026-03-01T14:30:00"),
        ({"made_at": "2026-03-01T14:30:00"}, "expected an offset such as"),
        ({"valid_until": "2026-02-28"}, "valid until 2026-02-28, which is before it was made"),
        ({"valid_until": "soon"}, "valid_until is 'soon', expected a date"),
        ({"references": ()}, "names no reference"),
        (
            {"references": (replace(WEIGHT, valid_until="2026-02-28"),)},
            "'W-0417' of reference 'weight 5 kg' ran out",
        ),
        ({"data": {"x": [float("nan")]}}, "field 'data' is no plain data"),
        ({"result": {"x": np.float32(1.0)}}, "field 'result' is no plain data"),
    ],
)
def test_a_certificate_that_proves_nothing_is_refused(changes: dict[str, Any], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        pan(**changes)


@pytest.mark.parametrize("text", ["", "{}", "[1]", '{"number": "P-1"}', pan().to_json()[:-5]])
def test_what_is_no_certificate_is_refused(text: str) -> None:
    with pytest.raises(ValueError):  # noqa: PT011  (broken JSON has json's own words)
        c.Certificate.from_json(text)
