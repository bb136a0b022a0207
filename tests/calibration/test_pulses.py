import numpy as np
import pytest

from calibration.pulses import compare


def train(total: int = 20_000, step: int = 40) -> np.ndarray:
    return np.arange(0, total + 1, step)


def test_two_faithful_trains() -> None:
    a = train()
    found = compare(a, a + 5)  # counters need not start together
    assert found.faithful
    assert (found.pulses, found.pulses_b, found.difference, found.first_fault) == (20_000, 20_000, 0, None)


def test_phase_is_no_fault() -> None:
    a = train()
    b = a - np.random.default_rng(1).integers(0, 2, a.size)
    b[0] = a[0]
    assert compare(a, np.maximum.accumulate(b)).faithful


@pytest.mark.parametrize("lost", [5, -5])
def test_lost_or_extra_pulses_are_found_where_they_happened(lost: int) -> None:
    a = train()
    b = a.copy()
    b[250:] -= lost
    found = compare(a, b)
    assert not found.faithful
    assert (found.difference, found.first_fault) == (lost, 250)
    assert found.relative == pytest.approx(lost / max(20_000, 20_000 - lost))


def test_a_lost_pulse_is_not_made_good_by_a_false_one() -> None:
    a = train()
    b = a.copy()
    b[100:300] -= 9
    found = compare(a, b)
    assert found.difference == 0
    assert (found.furthest, found.first_fault) == (9, 100)
    assert not found.faithful


def test_limit_is_one_in_ten_thousand_beside_the_phase() -> None:
    a = train(100_000)
    b = a.copy()
    b[50:] -= 12
    assert compare(a, b).limit_pulses == 12
    assert compare(a, b).faithful
    b[60:] -= 1
    assert not compare(a, b).faithful


def test_nothing_counted() -> None:
    found = compare([7, 7], [3, 3])
    assert found.faithful
    assert found.relative == 0.0


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (([1, 2, 3], [1, 2]), "3 and 2 samples"),
        (([1], [1]), "1 and 1 samples, expected two or more"),
        (([1, 2, 1], [1, 2, 3]), "first train's count falls at sample 2"),
        (([1, 2, 3], [3, 2, 3]), "second train's count falls at sample 1"),
        (([1, 2], [1, 2], 1.0), "limit_rel is 1.0, expected 0 to 0.1"),
    ],
)
def test_counts_that_cannot_be_are_refused(args, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        compare(*args)
