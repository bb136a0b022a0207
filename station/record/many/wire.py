"""A batch on its way from a bay to the roll-up: JSON, and what of it is let in."""

import json

from station.errors import InputError
from station.record.many.arriving import Batch, Entry


def batch_of(data: bytes) -> Batch:
    """A batch as it comes over the network. Raises InputError where it is none."""
    try:
        told = json.loads(data)
        entries = tuple(Entry(*row) for row in told["entries"])
        notes = {int(size): str(note) for size, note in told["notes"].items()}
        batch = Batch(
            entries,
            told["newest_seq"],
            told["newest_hash"],
            notes,
            told["verifier"],
            told["name"],
            told["software"],
        )
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise InputError(
            f"this is no batch of entries ({str(error)[:200]}); expected what a station of this version sends. Update the "
            "station or the roll-up."
        ) from None
    for entry in entries:
        _typed(entry)
    texts = (batch.newest_hash, batch.verifier, batch.name, batch.software)
    if (
        not all(isinstance(text, str) and "\0" not in text for text in texts)
        or type(batch.newest_seq) is not int
    ):
        raise InputError(
            "this is no batch of entries: where the record ends is not said. Update the station or the roll-up."
        )
    return batch


_TYPES = {"seq": int, "kind": str, "body": str, "boot_id": str, "utc": str, "hash": str, "clock_synced": int}


def _typed(entry: Entry) -> None:
    wrong = [name for name, kind in _TYPES.items() if type(getattr(entry, name)) is not kind]
    texts = (entry.job_id or "", entry.kind, entry.body, entry.boot_id, entry.utc, entry.hash)
    if wrong or type(entry.t_s) not in (int, float) or not isinstance(entry.job_id, str | None):
        raise InputError(f"entry {entry.seq!r} of the batch has a wrong {', '.join(wrong) or 'time or job'}.")
    if any("\0" in text for text in texts) or not 0 < entry.seq < 1 << 62:
        raise InputError(f"entry {entry.seq} of the batch has a number or a character that no entry has.")


def batch_text(batch: Batch) -> bytes:
    """A batch for the network; ``batch_of`` reads it again."""
    entries = [[*e.hashed(), e.hash] for e in batch.entries]
    told = {
        **vars(batch),
        "entries": entries,
        "notes": {str(size): note for size, note in batch.notes.items()},
    }
    return json.dumps(told, ensure_ascii=False, separators=(",", ":")).encode()
