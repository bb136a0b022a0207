"""A bay's entries as they arrive: are they what they say they are, and do they follow what came before? Pure.

Whoever holds a bay's entries is a witness: an entry that comes again with another hash was rewritten, a record that ends
before what is here was cut or restored, and a checkpoint that signs for another tree than the one that arrived tells of a
second record under the same key.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from station.errors import InputError
from station.record.chain import entry_hash, leaf
from station.record.merkle import Frontier, leaf_hash
from station.record.note import VerifierKey, open_note, parse_checkpoint


@dataclass(frozen=True)
class Head:
    """How far a bay's record is here: its newest entry's number and hash, and the tree over all of them."""

    seq: int = 0
    hash: str = ""
    tree: Frontier = field(default_factory=Frontier)


@dataclass(frozen=True)
class Entry:
    """One entry of a bay's record as it stands there; ``body`` is its very text."""

    seq: int
    job_id: str | None
    kind: str
    body: str
    boot_id: str
    t_s: float
    utc: str
    clock_synced: int
    hash: str

    def hashed(self) -> list[object]:
        """What its hash goes over, as ``station.record.chain`` has it."""
        return [
            self.seq,
            self.job_id,
            self.kind,
            self.body,
            self.boot_id,
            self.t_s,
            self.utc,
            self.clock_synced,
        ]


@dataclass(frozen=True)
class Batch:
    """What a bay sends. entries: in order. notes: signed checkpoints by their size. newest_seq, newest_hash: where its
    record ends."""

    entries: tuple[Entry, ...]
    newest_seq: int
    newest_hash: str
    notes: Mapping[int, str] = field(default_factory=dict)
    verifier: str = ""
    name: str = ""
    software: str = ""


@dataclass(frozen=True)
class Arrived:
    """What of a batch is taken: the entries that are new, and the head with them. fault: why no more was; None where all
    was in order. notes: those that the tree bears out."""

    new: tuple[Entry, ...]
    head: Head
    notes: Mapping[int, str]
    fault: str | None = None


def arrived(batch: Batch, head: Head, here: Mapping[int, str], keys: list[VerifierKey]) -> Arrived:
    """Hold a batch to what is here. here: hash of each entry that came before and comes again."""
    fault = _behind(batch, head) or _another(batch, here)
    if fault is not None:
        return Arrived((), head, {}, fault)
    new: list[Entry] = []
    notes: dict[int, str] = {}
    for entry in batch.entries:
        if entry.seq <= head.seq:
            continue
        fault = _does_not_follow(entry, head)
        if fault is not None:
            break
        after = Head(entry.seq, entry.hash, head.tree.add([leaf_hash(leaf(head.hash, entry.hashed()))]))
        note = batch.notes.get(entry.seq)
        if note is not None:
            fault = _not_signed_for(note, after, keys)
            if fault is not None:
                break
            notes[entry.seq] = note
        new.append(entry)
        head = after
    return Arrived(tuple(new), head, notes, fault)


def _behind(batch: Batch, head: Head) -> str | None:
    if batch.newest_seq < head.seq:
        return (
            f"the bay's record ends at entry {batch.newest_seq}, but entry {head.seq} had arrived here: its newest entries "
            "were cut off or lost, or an older copy was put in its place"
        )
    if batch.newest_seq == head.seq and batch.newest_hash != head.hash:
        return f"entry {head.seq} is another one than arrived here: the bay's record was rewritten, or went on from an older copy"
    return None


def _another(batch: Batch, here: Mapping[int, str]) -> str | None:
    for entry in batch.entries:
        if here.get(entry.seq, entry.hash) != entry.hash:
            return (
                f"entry {entry.seq} is another one than arrived here: the bay's record was rewritten, or went on from an "
                "older copy"
            )
    return None


def _does_not_follow(entry: Entry, head: Head) -> str | None:
    if entry.seq != head.seq + 1:
        return f"entry {head.seq + 1} is missing: entry {entry.seq} came after entry {head.seq}"
    if entry_hash(head.hash, entry.hashed()) != entry.hash:
        return f"entry {entry.seq} does not go with its hash and the entry before: it, or one before it, was changed"
    return None


def _not_signed_for(note: str, head: Head, keys: list[VerifierKey]) -> str | None:
    try:
        checkpoint = parse_checkpoint(open_note(note, keys))
    except InputError as error:
        return f"the checkpoint at entry {head.seq} is not this bay's: {error}".rstrip(".")
    if (checkpoint.size, checkpoint.root) != (head.seq, head.tree.root()):
        return (
            f"the checkpoint at entry {head.seq} signs for another record than the one that arrived: the bay keeps two, or "
            "rewrote one"
        )
    return None
