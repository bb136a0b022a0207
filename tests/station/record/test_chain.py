"""What an entry is hashed as is what ``json.dumps`` writes of it, byte for byte: records of years hang on it."""

import hashlib
import json
from typing import Any

from hypothesis import example, given
from hypothesis import strategies as some

from hardware.sample import Sample
from station.record.chain import SamplesDigest, entry_hash, entry_leaf, leaf

VALUES = some.one_of(some.text(), some.integers(), some.floats(), some.none(), some.booleans())


@given(some.text(), some.lists(VALUES, max_size=9))
@example("", [float("nan"), float("inf"), float("-inf"), -0.0, 1e22, 5e-324, 10**30, True, None])
@example("", ['"\\/\x00\x1f\x7f\u2028😀', "\ud800"])
def test_an_entry_is_hashed_as_json_writes_it(previous: str, fields: list[Any]) -> None:
    written = json.dumps([previous, *fields], ensure_ascii=False).encode(errors="surrogatepass")
    assert leaf(previous, fields) == written
    assert entry_hash(previous, fields) == hashlib.sha256(written).hexdigest()


@given(
    some.text(),
    some.tuples(
        some.integers(0),
        some.none() | some.text(),
        some.text(),
        some.text(),
        some.text(),
        some.integers(0) | some.floats(),
        some.text(),
        some.integers(0, 1),
    ),
)
@example("", (1, None, "note", '{"text": "\\ud800"}', "\ud800", float("nan"), "", 0))
def test_whole_entries_are_written_as_any_values_are(previous: str, entry: tuple[Any, ...]) -> None:
    assert entry_leaf(previous, *entry) == leaf(previous, entry)


@given(some.lists(some.tuples(some.floats(), some.text(), VALUES), max_size=5))
@example([(1, "pan", 84213), (0.30000000000000004, "märk", "drain öpen"), (2.0, "stop_open", True)])
def test_samples_are_hashed_as_json_writes_them(rows: list[tuple[float, str, Any]]) -> None:
    digest, plain = SamplesDigest(), hashlib.sha256()
    for t_s, source, value in rows:
        digest.add(Sample(t_s, source, value))
        plain.update(json.dumps([float(t_s), source, value]).encode())
    assert digest.hexdigest() == plain.hexdigest()


def test_the_worked_example_has_the_digests_that_sha256sum_gives() -> None:
    """By coreutils' ``printf '%s' TEXT | sha256sum`` over ``["9f86…", 7, …, 1]`` and ``[0.1, "pan", 84213][0.2, …``: no
    line of ours made them, and a record that is years old has its own no other way."""
    before = "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08"
    entry = (7, "job-1", "note", '{"text": "Öl, 4,2 kg"}', "boot-a", 12.5, "2026-03-02T08:15:00.000Z", 1)
    assert entry_hash(before, entry) == "f43eade062b68590f03540f96c6f00ee78927a45f5a42ce722b859308d4294cd"
    samples = SamplesDigest()
    for row in ((0.1, "pan", 84213), (0.2, "mark", "drain open"), (0.1 + 0.2, "stop_open", True)):
        samples.add(Sample(*row))
    assert samples.hexdigest() == "1d51587c0ceaa14e903fbd133ca89bb88af96a8db5fa64a5b940a9264fe87fb6"
