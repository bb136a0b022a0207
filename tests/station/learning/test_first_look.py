"""Whoever looks first looks at the instrument, and at nobody who only used it."""

from station.learning.charts import from_baseline
from station.learning.first_look import look_first
from station.learning.quality import NEXT_DRAIN, SubjectChart

STEADY = [0.1, -0.1] * 20
OFF = [*STEADY, *[-1.0] * 10]


def one(dimension: str, name: str, jobs: str, values: list[float]) -> SubjectChart:
    ids = tuple(f"{jobs}{n}" for n in range(len(values)))
    return SubjectChart(dimension, name, from_baseline(values), ids, ("2026-01-01",) * len(values))


def test_a_meter_that_drifts_is_named_alone_and_once() -> None:
    charts = [
        one("bay", "Bay 1", "a", OFF),
        one("bay", "Bay 2", "b", STEADY),
        one("meter", "M1", "a", OFF),
        one("meter", "M2", "b", STEADY),
        one("technician", "M. Okafor", "a", OFF),
        one("compartment type", "axle", "a", OFF),
        one(NEXT_DRAIN, "M1", "a", OFF),
    ]
    assert look_first(charts) == [charts[-1]]
    assert look_first(charts[1:4]) == [charts[2]]


def test_what_no_meter_explains_is_named_unless_it_is_a_person() -> None:
    charts = [
        one("bay", "Bay 2", "b", OFF),
        one("meter", "M1", "a", OFF),
        one("technician", "M. Okafor", "b", OFF),
        one("compartment type", "axle", "b", OFF),
    ]
    assert look_first(charts) == [charts[1], charts[0], charts[3]]
    assert look_first(charts[2:3]) == []
