"""How each entry of the record is tied to the one before it."""

import hashlib
import json
from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Any

from hardware.sample import Sample

FIELDS = ("seq", "job_id", "kind", "body", "boot_id", "t_s", "utc", "clock_synced")
"""What of an entry is hashed, in this order, behind the hash of the entry before."""


def _number(value: float) -> str:
    text = repr(value)
    return text if text[-1].isdigit() else json.dumps(value)  # JSON has other words for what is no number


_text = json.encoder.encode_basestring
_WRITTEN: dict[type, Callable[[Any], str]] = {
    str: _text,
    int: repr,
    float: _number,
    type(None): lambda _: "null",
}
"""What ``json.dumps`` writes of plain values: it makes a new encoder each time, which takes ten times as long as they do."""


def _other(value: object) -> str:
    return json.dumps(value, ensure_ascii=False)


def leaf(previous: str, fields: Sequence[object]) -> bytes:
    """The bytes that stand for an entry, in the chain and in the tree: a JSON array in UTF-8."""
    texts = [_WRITTEN.get(type(value), _other)(value) for value in (previous, *fields)]
    return f"[{', '.join(texts)}]".encode(errors="surrogatepass")


def entry_leaf(
    previous: str,
    seq: int,
    job_id: str | None,
    kind: str,
    body: str,
    boot_id: str,
    t_s: float,
    utc: str,
    clock_synced: int,
) -> bytes:
    """What ``leaf`` makes of an entry's ``FIELDS``, in half the time: which of them are texts and numbers is known."""
    return (
        f"[{_text(previous)}, {seq}, {'null' if job_id is None else _text(job_id)}, {_text(kind)}, {_text(body)}, "
        f"{_text(boot_id)}, {_number(t_s)}, {_text(utc)}, {clock_synced}]"
    ).encode(errors="surrogatepass")


def entry_hash(previous: str, fields: Sequence[object]) -> str:
    return leaf_sha256(leaf(previous, fields))


def leaf_sha256(data: bytes) -> str:
    """An entry's hash from its ``leaf``."""
    return hashlib.sha256(data).hexdigest()


_ascii = lru_cache(256)(json.dumps)
"""The few names of sources, over and over."""


class SamplesDigest:
    """SHA-256 over a job's samples in order, kept in its result event so that a changed sample shows."""

    def __init__(self) -> None:
        self._sha = hashlib.sha256()

    def add(self, sample: Sample) -> None:
        value = sample.value
        # json.dumps writes text in ASCII here; numbers are the same either way.
        told = _WRITTEN[type(value)](value) if type(value) in (int, float) else json.dumps(value)
        self._sha.update(f"[{_number(float(sample.t_s))}, {_ascii(sample.source)}, {told}]".encode())

    def hexdigest(self) -> str:
        return self._sha.hexdigest()
