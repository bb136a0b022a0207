"""A block gives back every sample to the last bit, in its order, and is small."""

import json
import math
import random
import struct
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardware.sample import Sample
from station.record.blocks import BrokenBlock, decode, encode
from tests.station.record.live_stream import live_stream

VALUES = st.one_of(
    st.integers(-(1 << 70), 1 << 70),
    st.floats(allow_nan=False),
    st.text(max_size=8),
    st.booleans(),
    st.integers(-5, 5).map(lambda k: k / 16),
)
TIMES = st.one_of(st.floats(-1e9, 1e9), st.integers(-(10**9), 10**9).map(lambda k: k / 1000), st.just(0.25))
SAMPLES = st.lists(
    st.builds(Sample, TIMES, st.sampled_from(["pan", "meter", "mark", "air_c", "pump_state"]), VALUES),
    max_size=60,
)


def exact(samples: list[Sample]) -> list[tuple[bytes, str, type, str]]:
    """Equal only where every bit is: 1 is not 1.0, and −0.0 not 0.0."""
    return [(struct.pack(">d", s.t_s), s.source, type(s.value), json.dumps(s.value)) for s in samples]


@given(SAMPLES)
def test_whatever_goes_in_comes_out(samples: list[Sample]) -> None:
    assert exact(decode(encode(samples))) == exact(samples)


@given(SAMPLES)
def test_in_time_order_too(samples: list[Sample]) -> None:
    ordered = sorted(samples, key=lambda s: s.t_s)
    assert exact(decode(encode(ordered))) == exact(ordered)


def test_values_that_are_hard_to_keep() -> None:
    samples = [
        Sample(1.0, "air_c", -0.0),
        Sample(1.0, "air_c", 0.0),
        Sample(1.001, "pan", -(1 << 23)),
        Sample(1.001, "pan", (1 << 23) - 1),
        Sample(2.0, "fluid_supply_c", math.inf),
        Sample(2.0, "fluid_supply_c", 5e-324),
        Sample(3.0, "meter", 1),
        Sample(3.0, "meter", 1.0),
    ]
    assert exact(decode(encode(samples))) == exact(samples)


def test_no_sample_is_a_block_too() -> None:
    assert decode(encode([])) == []


def test_what_is_no_value_is_refused() -> None:
    with pytest.raises(ValueError, match="no number, text or truth value"):
        encode([Sample(0.0, "pan", None)])  # type: ignore[arg-type]


def test_a_pan_sample_costs_less_than_a_byte_and_a_half_with_its_time() -> None:
    """Of a pan with 25 counts of noise no more than 0.84 bytes can be saved (its entropy): the value alone has to be
    near that, and the time adds its own unevenness."""
    samples = live_stream(random.Random(7), minutes=10)
    pan = [s for s in samples if s.source == "pan"]
    assert len(encode(pan)) / len(pan) < 1.5
    assert len(encode(samples)) / len(samples) < 1.0


def test_a_block_that_was_cut_or_changed_ends_in_no_other_error() -> None:
    samples = live_stream(random.Random(8), minutes=0.5)
    data = encode(samples)
    rng = random.Random(9)
    for _ in range(300):
        k = rng.randrange(len(data))
        broken = (
            data[:k]
            if rng.random() < 0.3
            else data[:k] + bytes([data[k] ^ 1 << rng.randrange(8)]) + data[k + 1 :]
        )
        with suppress(BrokenBlock):
            decode(broken)  # it may differ, or only in its padding: the digest beside it tells
