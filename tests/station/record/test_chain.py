"""What an entry is hashed as is what ``json.dumps`` writes of it, byte for byte: records of years hang on it."""

import hashlib
import json
from typing import Any

from hypothesis import example, given
from hypothesis import strategies as some

from hardware.sample import Sample
from station.record.chain import SamplesDigest, entry_hash, leaf

VALUES = some.one_of(some.text(), some.integers(), some.floats(), some.none(), some.booleans())


@given(some.text(), some.lists(VALUES, max_size=9))
@example("", [float("nan"), float("inf"), float("-inf"), -0.0, 1e22, 5e-324, 10**30, True, None])
@example("", ['"\\/\x00\x1f\x7f\u2028😀', "\ud800"])
def test_an_entry_is_hashed_as_json_writes_it(previous: str, fields: list[Any]) -> None:
    written = json.dumps([previous, *fields], ensure_ascii=False).encode(errors="surrogatepass")
    assert leaf(previous, fields) == written
    assert entry_hash(previous, fields) == hashlib.sha256(written).hexdigest()


@given(some.lists(some.tuples(some.floats(), some.text(), VALUES), max_size=5))
@example([(1, "pan", 84213), (0.30000000000000004, "märk", "drain öpen"), (2.0, "stop_open", True)])
def test_samples_are_hashed_as_json_writes_them(rows: list[tuple[float, str, Any]]) -> None:
    digest, plain = SamplesDigest(), hashlib.sha256()
    for t_s, source, value in rows:
        digest.add(Sample(t_s, source, value))
        plain.update(json.dumps([float(t_s), source, value]).encode())
    assert digest.hexdigest() == plain.hexdigest()
