"""What a 24-bit word turns into when one clock pulse goes astray, or the data wire breaks in the middle."""

from collections.abc import Iterator

BITS = 24
MASK = (1 << BITS) - 1
NEAR_COUNTS = 2048
"""How far a sound count may lie from the one before it without being looked at: about 10 g in a tenth of a
second on a scale of 5 mg per count. A slip that moves the count by less is not told from weight."""


def could_be_slip(count: int, previous: int) -> bool:
    """Whether a count far from the one before it looks like that one with a slip.

    count, previous: signed 24-bit. True also for the odd real step that happens to look so: it is a reason to
    wait for the next count, not a verdict.
    """
    if abs(count - previous) <= NEAR_COUNTS:
        return False
    return any(
        abs(_signed(slipped) - count) <= 2 * NEAR_COUNTS  # a slip may double what changed since
        for now in (previous - NEAR_COUNTS, previous, previous + NEAR_COUNTS)
        for slipped in slips(now & MASK)
    )


def slips(word: int) -> Iterator[int]:
    """Get every word that one slip makes of this one.

    A missed pulse reads a bit twice (before the first bit the ready line, low) and shifts the rest down; an
    added pulse skips a bit, shifts the rest up, and ends with the line high; a broken wire reads ones from
    there on.
    """
    for kept in range(BITS):  # bits that came through before the slip
        low = BITS - kept
        rest = word & ((1 << low) - 1)
        head = word - rest
        twice = (word >> low) & 1 if kept else 0
        yield head | twice << (low - 1) | rest >> 1
        yield head | (rest << 1) & ((1 << low) - 1) | 1
        yield head | (1 << low) - 1


def _signed(word: int) -> int:
    return word - (1 << BITS) if word & 1 << (BITS - 1) else word
