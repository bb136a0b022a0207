"""One astray clock pulse, on the chip itself: the count it makes is foreseen, and never emitted."""

import random
from collections.abc import Iterable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardware.slips import NEAR_COUNTS, could_be_slip, slips
from tests.hardware.benches import Bench
from tests.lengths import short

FULL = 8_388_607
COUNTS = st.integers(-0x800000, 0x7FFFFF)


def astray(bench: Bench, chooser: random.Random) -> str:
    """Let the chip miss a pulse, or see one too many, or lose its data wire, at a random bit of the next burst."""
    chip, at, kind = bench.chip, chooser.randint(1, 24), chooser.choice(["miss", "add", "break"])
    real = type(chip)._pulse

    def pulse() -> None:
        if chip._pulses == at - 1 and (chip._ready or chip._pulses > 0):
            del chip.__dict__["_pulse"]
            if kind == "miss":
                return
            if kind == "add":
                real(chip)
            else:
                chip.unplug()
        real(chip)

    chip.__dict__["_pulse"] = pulse
    return kind


def emitted_around_slips(
    make_bench: type[Bench], monkeypatch: pytest.MonkeyPatch, seeds: Iterable[int], guarded: bool
) -> int:
    if not guarded:
        monkeypatch.setattr("hardware.loadcell.could_be_slip", lambda _count, _previous: False)
    odd, kinds = 0, set()
    for seed in seeds:
        chooser = random.Random(seed)
        bench = make_bench(chooser.randint(60_000, 900_000))
        cell = bench.cell()
        bench.run(cell, 1.5)
        kinds.add(astray(bench, chooser))
        bench.run(cell, 1.0)
        bench.chip.repair()
        bench.run(cell, 3.0)
        assert bench.states()[-1] == "ok"
        # a wire that breaks after the sign reads as full scale, and is named saturated
        sound = [count for count in bench.counts() if count != FULL]
        assert (len(sound) < len(bench.counts())) == ("saturated" in bench.states())
        odd += any(abs(count - bench.count) > 2 * NEAR_COUNTS for count in sound)
    assert kinds == {"miss", "add", "break"}
    return odd


@pytest.mark.parametrize("seeds", short(1, [range(100), range(100, 300)]))
def test_no_slip_reaches_a_count(
    make_bench: type[Bench], monkeypatch: pytest.MonkeyPatch, seeds: range
) -> None:
    assert emitted_around_slips(make_bench, monkeypatch, seeds, guarded=True) == 0


def test_without_the_look_slips_would_reach_counts(
    make_bench: type[Bench], monkeypatch: pytest.MonkeyPatch
) -> None:
    odd = emitted_around_slips(make_bench, monkeypatch, range(40), guarded=False)
    print(f"{odd} of 40 slips gave an odd count")
    assert odd > 8


@pytest.mark.parametrize("step", [3_000, -40_000, 42_107, 250_000, -300_000])
def test_a_real_step_loses_at_most_one_count(make_bench: type[Bench], step: int) -> None:
    bench = make_bench(424_471)
    cell = bench.cell()
    bench.run(cell, 1.5)
    bench.count += step
    seen = len(bench.counts())
    bench.run(cell, 0.31)
    bench.run(cell, 0.7)
    assert len(bench.counts()) - seen >= 8
    assert abs(bench.counts()[-1] - bench.count) <= 20
    assert bench.states() == ["ok"]


@given(COUNTS, st.integers(-NEAR_COUNTS, NEAR_COUNTS))
def test_a_count_near_the_one_before_is_never_doubted(previous: int, change: int) -> None:
    assert not could_be_slip(previous + change, previous)


def test_the_slips_of_a_word_by_hand() -> None:
    word = 0b1010_0000_0000_0000_0000_0011
    made = set(slips(word))
    assert 0b0101_0000_0000_0000_0000_0001 in made  # the first pulse missed
    assert 0b0100_0000_0000_0000_0000_0111 in made  # one pulse too many before the first
    assert 0b1101_0000_0000_0000_0000_0001 in made  # the second missed: its bit read twice
    assert 0b1011_1111_1111_1111_1111_1111 in made  # broken after three bits
