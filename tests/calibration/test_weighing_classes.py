from collections.abc import Callable
from dataclasses import replace
from typing import Any, cast

import pytest

from calibration import procedures as p
from calibration.weighing_classes import Findings, claim, mpe_kg

GOOD = Findings(
    max_kg=10.0,
    errors_kg=((0.0, 0.0), (2.0, 0.0003), (5.0, -0.0006), (10.0, 0.0008)),
    hysteresis=p.hysteresis([5.0], [5.0], [5.0005]),
    repeatability=p.repeatability([5.0, 5.0005, 5.0002]),
    corner_load=p.corner_load(3.3, {"a": 3.3005, "b": 3.3, "c": 3.2996, "d": 3.3}),
    creep=p.Creep(10.0, 0.0004, 0.0001, 0.0002),
    zero_return=p.zero_return(0.0, 0.0003),
    temperature_effect=p.TemperatureEffect(0.0001, 1e-6, 10, 5.0, 30.0),
)


def test_a_good_pan_claims_the_finest_interval_that_all_findings_allow() -> None:
    found = claim(GOOD)
    assert found is not None
    assert (found.weighing_class, found.interval_kg) == ("III", 0.001)
    assert found.intervals == pytest.approx(10_000)
    assert all(check.kept for check in found.checks)
    assert found.not_examined == ()


@pytest.mark.parametrize(
    ("worse", "interval_kg"),
    [
        ({"errors_kg": ((10.0, 0.0016),)}, 0.002),  # beyond 1.5 e of 1 g
        ({"repeatability": p.repeatability([5.0, 5.002, 5.001])}, 0.002),
        ({"corner_load": p.corner_load(3.3, dict(zip("abcd", (3.302, 3.3, 3.3, 3.3), strict=True)))}, 0.002),
        ({"creep": p.Creep(10.0, 0.0009, 0.0001, 0.0005)}, 0.002),
        ({"creep": p.Creep(10.0, 0.0004, 0.0009, 0.0002)}, 0.005),
        ({"zero_return": p.zero_return(0.0, -0.0009)}, 0.002),
        ({"temperature_effect": p.TemperatureEffect(-0.0006, 1e-6, 10, 5.0, 30.0)}, 0.005),
        ({"hysteresis": p.hysteresis([5.0], [5.0], [5.0035])}, 0.002),
    ],
)
def test_each_finding_can_cost_the_claim(worse: dict[str, Any], interval_kg: float) -> None:
    found = claim(replace(GOOD, **worse))
    assert found is not None
    assert found.interval_kg == interval_kg


def test_a_poor_pan_falls_to_class_iiii_or_to_nothing() -> None:
    poor = claim(Findings(10.0, ((10.0, 0.05),)))
    assert poor is not None
    assert (poor.weighing_class, poor.interval_kg) == ("IIII", 0.05)
    assert poor.intervals == pytest.approx(200)
    assert claim(Findings(10.0, ((10.0, 0.5),))) is None


def test_what_was_not_done_is_said() -> None:
    found = claim(Findings(10.0, ((10.0, 0.0),), creep=GOOD.creep))
    assert found is not None
    assert found.not_examined == (
        "hysteresis", "repeatability", "corner load", "zero return", "temperature effect",
    )  # fmt: skip


def test_every_check_holds_the_limit_it_states() -> None:
    found = claim(GOOD)
    assert found is not None
    limits = {c.name: c.limit_kg for c in found.checks}
    assert limits["creep in 30 min"] == pytest.approx(0.0005)
    assert limits["creep from 15 to 30 min"] == pytest.approx(0.0002)
    assert limits["return to zero"] == pytest.approx(0.0005)
    assert limits["zero per 5 °C"] == pytest.approx(0.001)
    assert limits["corner load"] == mpe_kg("III", 0.001, 3.3)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: claim(Findings(10.0, ())), "no weighing errors to judge"),
        (lambda: claim(Findings(0.0, ((0.0, 0.0),))), "maximum of the pan is 0 kg"),
        (lambda: mpe_kg(cast("Any", "II"), 0.001, 1.0), "class is 'II', expected one of III, IIII"),
        (lambda: mpe_kg("III", 0.0, 1.0), "verification interval is 0 kg"),
    ],
)
def test_nothing_to_judge_is_refused(call: Callable[[], object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        call()
