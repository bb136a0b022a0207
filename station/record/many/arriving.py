"""A bay's entries as they arrive: are they what they say they are, and do they follow what came before? Pure.

Whoever holds a bay's entries is a witness: an entry that comes again with another hash was rewritten, a record that ends
before what is here was cut or restored, and a checkpoint that signs for another tree than the one that arrived tells of a
second record under the same key.
"""

from base64 import b64encode
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from station.common.words import _
from station.errors import InputError
from station.record.chain import entry_leaf, leaf_sha256
from station.record.merkle import Frontier, leaf_hash
from station.record.note import Checkpoint, VerifierKey, open_note, parse_checkpoint


@dataclass(frozen=True)
class Head:
    """How far a bay's record is here: its newest entry's number and hash, and the tree over all of them."""

    seq: int = 0
    hash: str = ""
    tree: Frontier = field(default_factory=Frontier)


class Entry(NamedTuple):
    """One entry of a bay's record as it stands there; ``body`` is its very text. A tuple, in the order of the chain's fields:
    a batch of them is read in half the time that objects take."""

    seq: int
    job_id: str | None
    kind: str
    body: str
    boot_id: str
    t_s: float
    utc: str
    clock_synced: int
    hash: str


@dataclass(frozen=True)
class Batch:
    """What a bay sends. entries: in order. notes: signed checkpoints by their size. newest_seq, newest_hash: where its
    record ends. verifier: the public key that it signs with now. former: those that it signed with before."""

    entries: tuple[Entry, ...]
    newest_seq: int
    newest_hash: str
    notes: Mapping[int, str] = field(default_factory=dict)
    verifier: str = ""
    name: str = ""
    software: str = ""
    former: tuple[str, ...] = ()


@dataclass(frozen=True)
class Arrived:
    """What of a batch is taken: the entries that are new, and the head with them. fault: why no more was; None where all
    was in order. notes: those whose signature was checked, and that the tree bears out."""

    new: tuple[Entry, ...]
    head: Head
    notes: Mapping[int, str]
    fault: str | None = None


def arrived(
    batch: Batch,
    head: Head,
    here: Mapping[int, str],
    keys: list[VerifierKey],
    former: Sequence[VerifierKey] = (),
) -> Arrived:
    """Hold a batch to what is here. here: hash of each entry that came before and comes again. keys: known here as the bay's.
    former: which the bay says it signed with before, as a record from a copy has it, since no key is in a copy.

    Of its checkpoints the newest is checked with the key and kept: it signs for all that came before it. The others must state
    the tree that arrived, as it does; only where one of them does not, or the newest is not signed, each is checked. One
    that a former key signed proves nothing here, and is not kept.
    """
    fault = _behind(batch, head) or _another(batch, here)
    if fault is not None:
        return Arrived((), head, {}, fault)
    new = [entry for entry in batch.entries if entry.seq > head.seq]
    found = _following(new, head, batch.notes, None)
    newest = max(found.notes.items(), default=None)
    if found.fault is None and (newest is None or not isinstance(_signed(*newest, keys), str)):
        return replace(found, notes={} if newest is None else dict([newest]))
    found = _following(new, head, batch.notes, [*keys, *former])
    signed = [one for one in found.notes.items() if not isinstance(_signed(*one, keys), str)]
    return replace(found, notes=dict([max(signed)]) if signed else {})


def _following(
    new: Sequence[Entry], head: Head, notes: Mapping[int, str], keys: list[VerifierKey] | None
) -> Arrived:
    """Entries as far as each follows the one before, and checkpoints hold. keys: with which each checkpoint is checked; None:
    only whether it states the tree."""
    seq, newest, tree, fault = head.seq, head.hash, head.tree, None
    held: dict[int, str] = {}
    leaves: list[bytes] = []  # of entries that are in no tree yet: it is grown where a checkpoint asks for it
    for entry in new:
        told = entry_leaf(newest, *entry[:-1])
        fault = _does_not_follow(entry, seq, leaf_sha256(told))
        if fault is not None:
            break
        leaves.append(leaf_hash(told))
        note = notes.get(entry.seq)
        if note is not None:
            grown = tree.add(leaves)
            fault = _not_signed_for(note, entry.seq, grown, keys)
            if fault is not None:
                leaves.pop()
                break
            tree, leaves = grown, []
            held[entry.seq] = note
        seq, newest = entry.seq, entry.hash
    return Arrived(tuple(new[: seq - head.seq]), Head(seq, newest, tree.add(leaves)), held, fault)


def first_since(entries: Sequence[Entry], utc: str) -> int | None:
    """Place of the first entry that says it was made at a moment or later, and before none that says of a set clock that it was made
    earlier: then its own clock was ahead. A clock that was not set is behind as a rule (common practice, no source): what it says
    goes with what came before."""
    older = max((n for n, one in enumerate(entries) if one.clock_synced and one.utc < utc), default=-1)
    return next((n for n, one in enumerate(entries) if n > older and one.utc >= utc), None)


def _behind(batch: Batch, head: Head) -> str | None:
    if batch.newest_seq < head.seq:
        return _(
            "the bay's record ends at entry {newest}, but entry {seq} had arrived here: its newest entries were cut off or "
            "lost, or an older copy was put in its place"
        ).format(newest=batch.newest_seq, seq=head.seq)
    if batch.newest_seq == head.seq and batch.newest_hash != head.hash:
        return _is_another(head.seq)
    return None


def _is_another(seq: int) -> str:
    return _(
        "entry {seq} is another one than arrived here: the bay's record was rewritten, or went on from an older copy"
    ).format(seq=seq)


def _another(batch: Batch, here: Mapping[int, str]) -> str | None:
    for entry in batch.entries:
        if here.get(entry.seq, entry.hash) != entry.hash:
            return _is_another(entry.seq)
    return None


def _does_not_follow(entry: Entry, seq: int, found: str) -> str | None:
    """seq: of the entry before. found: the hash over it and this one."""
    if entry.seq != seq + 1:
        return _("entry {seq} is missing: entry {came} came after entry {before}").format(
            seq=seq + 1, came=entry.seq, before=seq
        )
    if found != entry.hash:
        return _(
            "entry {seq} does not go with its hash and the entry before: it, or one before it, was changed"
        ).format(seq=entry.seq)
    return None


def _not_signed_for(note: str, seq: int, tree: Frontier, keys: list[VerifierKey] | None) -> str | None:
    if keys is None:
        stated = note.split("\n", 3)[1:3] == [str(seq), b64encode(tree.root()).decode()]
    else:
        checkpoint = _signed(seq, note, keys)
        if isinstance(checkpoint, str):
            return checkpoint
        stated = (checkpoint.size, checkpoint.root) == (seq, tree.root())
    if not stated:
        return _(
            "the checkpoint at entry {seq} signs for another record than the one that arrived: the bay keeps two, or "
            "rewrote one"
        ).format(seq=seq)
    return None


def _signed(seq: int, note: str, keys: list[VerifierKey]) -> Checkpoint | str:
    """The checkpoint; why it is none of this bay's."""
    try:
        return parse_checkpoint(open_note(note, keys))
    except InputError:
        return _(
            "the checkpoint at entry {seq} is not this bay's: it was changed, or another key signed it"
        ).format(seq=seq)
