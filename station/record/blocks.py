"""Raw samples, packed column by column: exact to the last digit, and small.

A block holds a run of samples in their order of arrival. For each source it has one column of times and one of values;
whole numbers are kept as differences (of no, first or second order, whichever is smallest), folded so that small ones
of either sign are small numbers (zigzag), and laid out byte by byte: all lowest bytes, then all second ones. Each such
plane is deflated alone, since a noisy plane and an empty one have nothing to share. Times on whole milliseconds, and
temperatures in sixteenths or tenths of a degree, are whole numbers in disguise; whatever is not is kept as it is.

Arrival order follows from the times. Where several samples share a moment, their sources are listed in one more column.

    magic b"TB1", length of the head (4 bytes, big-endian), head (deflated JSON), planes one after the other
"""

import json
import math
import struct
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from hardware.sample import Sample

MAGIC = b"TB1"
SCALES = (1, 16, 10, 100, 1000)
"""Parts of one in which a sensor's values may come; 1-Wire thermometers give sixteenths of a degree."""
_WHOLE_MOST = 1 << 52
_ORDERS = 3
_Ints = npt.NDArray[np.int64]


class BrokenBlock(ValueError):
    """These bytes are no block, or not the block that was written."""


def encode(samples: Sequence[Sample]) -> bytes:
    """One block of these samples. Raises ValueError for a value that is no number, text or truth value."""
    planes: list[bytes] = []
    columns = []
    by_source: dict[str, list[Sample]] = {}
    for sample in samples:
        by_source.setdefault(sample.source, []).append(sample)
    sources = list(by_source)
    for source, own in by_source.items():
        times = _pack_numbers([float(s.t_s) for s in own], planes, (1000,))
        columns.append([source, len(own), times, _pack_values([s.value for s in own], planes)])
    order = _pack_whole(np.array(_shared_moments(samples, sources), dtype=np.int64), planes)
    packed = [_deflate(plane) for plane in planes]
    head = zlib.compress(
        json.dumps([columns, order, [len(p) for p in packed]], separators=(",", ":")).encode()
    )
    return b"".join([MAGIC, struct.pack(">I", len(head)), head, *packed])


def decode(data: bytes) -> list[Sample]:
    """The samples of a block, in their order of arrival. Raises BrokenBlock."""
    try:
        return _decode(data)
    except (ValueError, KeyError, IndexError, TypeError, OverflowError, struct.error, zlib.error) as error:
        raise BrokenBlock(f"a block of samples cannot be read ({error})") from error


def _decode(data: bytes) -> list[Sample]:
    if data[: len(MAGIC)] != MAGIC:
        raise BrokenBlock("it does not begin as a block does")
    start = len(MAGIC) + 4
    (length,) = struct.unpack(">I", data[len(MAGIC) : start])
    columns, order, lengths = json.loads(zlib.decompress(data[start : start + length]))
    planes = iter(_cut(data[start + length :], lengths))
    series: list[list[Sample]] = []
    for source, n, times, values in columns:
        t_s = _unpack_numbers(times, n, planes)
        series.append(
            [Sample(t, source, v) for t, v in zip(t_s, _unpack_values(values, n, planes), strict=True)]
        )
    return _in_order(series, [int(k) for k in _unpack_whole(order, planes)])


# --- order of arrival --------------------------------------------------------------------------------------


def _shared_moments(samples: Sequence[Sample], sources: Sequence[str]) -> list[int]:
    """Which source each sample is of, for those that share a moment with another or came behind a later one."""
    number = {source: k for k, source in enumerate(sources)}
    times = [s.t_s for s in samples]
    if any(later < earlier for earlier, later in pairwise(times)) or any(map(math.isnan, times)):
        return [
            number[s.source] for s in samples
        ]  # no clock of the station's does that; a hand-made file may
    told = []
    for k, sample in enumerate(samples):
        if (k > 0 and times[k - 1] == times[k]) or (k + 1 < len(times) and times[k + 1] == times[k]):
            told.append(number[sample.source])
    return told


def _in_order(series: Sequence[list[Sample]], told: list[int]) -> list[Sample]:
    total = sum(map(len, series))
    if len(told) == total:
        queues = [iter(own) for own in series]
        return [next(queues[k]) for k in told]
    merged = sorted((s.t_s, k, i) for k, own in enumerate(series) for i, s in enumerate(own))
    out: list[Sample] = []
    hints = iter(told)
    at = 0
    while at < total:
        end = at + 1
        while end < total and merged[end][0] == merged[at][0]:
            end += 1
        if end - at == 1:
            _, k, i = merged[at]
            out.append(series[k][i])
        else:
            left = {k: iter([i for _, own, i in merged[at:end] if own == k]) for _, k, _ in merged[at:end]}
            out += [series[k][next(left[k])] for k in (next(hints) for _ in range(end - at))]
        at = end
    return out


# --- columns -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Whole:
    """How whole numbers were packed: how many, how often differenced, what was taken off, in how many planes."""

    n: int
    order: int
    off: int
    planes: int

    def to_json(self) -> list[int]:
        return [self.n, self.order, self.off, self.planes]


def _pack_values(values: Sequence[Any], planes: list[bytes]) -> list[Any]:
    if all(type(v) is int and abs(v) < _WHOLE_MOST for v in values):
        return ["i", _pack_whole(np.array(values, dtype=np.int64), planes)]
    if all(type(v) is float for v in values):
        return ["f", _pack_numbers(values, planes, SCALES)]
    if all(type(v) is str for v in values):
        words = list(dict.fromkeys(values))
        number = {word: k for k, word in enumerate(words)}
        return ["s", words, _pack_whole(np.array([number[v] for v in values], dtype=np.int64), planes)]
    if not all(isinstance(v, int | float | str) for v in values):
        raise ValueError("a sample's value is no number, text or truth value")
    return ["j", list(values)]


def _unpack_values(told: list[Any], n: int, planes: Iterator[bytes]) -> list[Any]:
    kind = told[0]
    if kind == "i":
        return list(map(int, _unpack_whole(told[1], planes)))
    if kind == "f":
        return _unpack_numbers(told[1], n, planes)
    if kind == "s":
        return [told[1][k] for k in _unpack_whole(told[2], planes)]
    if kind == "j":
        return list(told[1])
    raise BrokenBlock(f"values are of the unknown kind {kind!r}")


def _pack_numbers(values: Sequence[float], planes: list[bytes], scales: Sequence[int]) -> list[Any]:
    exact = np.array(values, dtype=np.float64)
    for scale in scales:
        with np.errstate(invalid="ignore", over="ignore"):
            scaled = np.rint(exact * scale)
        if not np.all(np.abs(scaled) < _WHOLE_MOST):  # also false for what is no number
            break
        # The same bits, not merely equal: −0.0 is not 0.0 to whoever hashes it.
        if (scaled.astype(np.int64) / scale).tobytes() == exact.tobytes():
            return [scale, _pack_whole(scaled.astype(np.int64), planes)]
    planes.append(exact.astype("<f8").tobytes())
    return [0]


def _unpack_numbers(told: list[Any], n: int, planes: Iterator[bytes]) -> list[float]:
    if told[0] == 0:
        values = np.frombuffer(next(planes), dtype="<f8")
        if len(values) != n:
            raise BrokenBlock(f"a column has {len(values)} numbers, expected {n}")
    else:
        values = _unpack_whole(told[1], planes) / told[0]
    return list(map(float, values))


def _pack_whole(values: _Ints, planes: list[bytes]) -> list[int]:
    best, told = _zigzag(values), _Whole(len(values), 0, 0, 0)
    if len(values):
        off = int(np.sort(values)[len(values) // 2])
        cost = math.inf
        for order in range(_ORDERS):
            rest = values - off
            for _ in range(order):
                rest = np.diff(rest, prepend=np.int64(0))
            folded = _zigzag(rest)
            spent = float(np.sum(np.log2(folded.astype(np.float64) + 1.0)))
            if spent < cost:
                best, cost, told = folded, spent, _Whole(len(values), order, off, 0)
    count = (int(best.max()).bit_length() + 7) // 8 if len(best) else 0
    for k in range(count):
        planes.append((best >> np.uint64(8 * k)).astype(np.uint8).tobytes())
    return _Whole(told.n, told.order, told.off, count).to_json()


def _unpack_whole(told: list[int], planes: Iterator[bytes]) -> _Ints:
    how = _Whole(*told)
    folded = np.zeros(how.n, dtype=np.uint64)
    for k in range(how.planes):
        plane = np.frombuffer(next(planes), dtype=np.uint8)
        if len(plane) != how.n:
            raise BrokenBlock(f"a column has {len(plane)} numbers, expected {how.n}")
        folded |= plane.astype(np.uint64) << np.uint64(8 * k)
    rest = (folded >> np.uint64(1)).astype(np.int64) ^ -(folded & np.uint64(1)).astype(np.int64)
    for _ in range(how.order):
        rest = np.cumsum(rest)
    return rest + np.int64(how.off)


def _zigzag(values: _Ints) -> npt.NDArray[np.uint64]:
    return ((values << 1) ^ (values >> 63)).astype(np.uint64)


# --- planes ------------------------------------------------------------------------------------------------


def _deflate(plane: bytes) -> bytes:
    """The smallest of what three ways of deflating give: noise wants plain Huffman codes, a rhythm wants matches."""
    tried = []
    for strategy in (zlib.Z_DEFAULT_STRATEGY, zlib.Z_FILTERED, zlib.Z_HUFFMAN_ONLY):
        packer = zlib.compressobj(9, zlib.DEFLATED, -15, 9, strategy)
        tried.append(packer.compress(plane) + packer.flush())
    return min(tried, key=len)


def _cut(data: bytes, lengths: Sequence[int]) -> Iterator[bytes]:
    at = 0
    for length in lengths:
        yield zlib.decompress(data[at : at + length], -15)
        at += length
    if at != len(data):
        raise BrokenBlock(f"{len(data) - at} bytes are left over")
