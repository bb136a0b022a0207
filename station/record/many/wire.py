"""A batch on its way from a bay to the roll-up: JSON, and what of it is let in."""

import json
from datetime import datetime
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from station.errors import InputError
from station.record.many.arriving import Batch, Entry

Number = Annotated[int, Field(ge=0, lt=1 << 62)]
_NULL = b"\\u0000"
"""How JSON writes the one character that PostgreSQL's text has not."""


class _Told(BaseModel):
    model_config = ConfigDict(strict=True)

    # As Entry has them; plain tuples are read twice as fast.
    entries: list[
        tuple[
            Annotated[int, Field(gt=0, lt=1 << 62)],
            Annotated[str, Field(max_length=200)] | None,
            str,
            str,
            str,
            float,
            Annotated[str, Field(max_length=40)],
            Annotated[int, Field(ge=0, le=1)],
            str,
        ]
    ]
    newest_seq: Number
    newest_hash: str
    notes: dict[str, str]
    verifier: str
    name: str
    software: str
    former: Annotated[tuple[str, ...], Field(max_length=100)] = ()


def batch_of(data: bytes) -> Batch:
    """A batch as it comes over the network. Raises InputError where it is none."""
    try:
        told = _Told.model_validate_json(data)
        notes = {int(size): note for size, note in told.notes.items()}
    except ValidationError as error:
        raise _none(_first(error)) from None
    except ValueError as error:
        raise _none(str(error)[:200]) from None
    entries = tuple(map(Entry._make, told.entries))
    for entry in entries:
        if (why := _no_moment(entry.utc)) is not None:
            raise _none(f"entry {entry.seq} of the batch, utc: {why}")
    if _NULL in data:  # within a body it may stand as it was written there: what a record says is kept
        texts = (told.newest_hash, told.verifier, told.name, told.software, *told.former, *notes.values())
        if any("\0" in text for text in texts):
            raise _none("a character without a sign in what the bay says of itself")
        for entry in entries:
            if any(type(value) is str and "\0" in value for value in entry):
                raise _none(f"entry {entry.seq} of the batch has a character without a sign")
    return Batch(
        entries,
        told.newest_seq,
        told.newest_hash,
        notes,
        told.verifier,
        told.name,
        told.software,
        told.former,
    )


def _no_moment(text: str) -> str | None:
    """Why a text is no moment, which every station writes, and pages, notices and moves read; None where it is one."""
    try:
        at = datetime.fromisoformat(text)
    except ValueError as error:
        return str(error)
    if at.tzinfo is None or not 1 < at.year < 9999:
        return f"{text} says no offset from UTC, or no year of anybody's"
    return None


def _first(error: ValidationError) -> str:
    """What is wrong first, and where."""
    [first, *_] = error.errors(include_url=False, include_input=False)
    match first["loc"]:
        case ("entries", int(n), int(field), *_):
            return f"entry {n + 1} of the batch, {Entry._fields[field]}: {first['msg']}"
        case place:
            return ", ".join([*map(str, place), first["msg"]])


def _none(why: str) -> InputError:
    return InputError(
        f"this is no batch of entries ({why}); expected what a station of this version sends. Update the station or the "
        "roll-up."
    )


def batch_text(batch: Batch) -> bytes:
    """A batch for the network; ``batch_of`` reads it again."""
    told = {**vars(batch), "notes": {str(size): note for size, note in batch.notes.items()}}
    return json.dumps(told, ensure_ascii=False, separators=(",", ":")).encode()
