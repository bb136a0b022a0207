"""What the drained fluid looked and smelled like, in the trade's words, and photos of it.

A photo is decoded and encoded anew, upright and at most ``MAX_SIDE`` pixels long: nothing but its pixels is kept, so
no place, time or device of the phone gets into the record. It lies beside the ledger under the hash of its bytes, and
the ledger holds that hash. How much memory it takes to decode, and how much room photos may take, is bounded before
anything of it is decoded.
"""

import hashlib
import io
import json
import os
import re
import shutil
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any, TypeVar

from station.common.digits import number
from station.common.words import N_, _
from station.errors import InputError, StationError
from station.record.copying import sync

EVENT, PHOTO_EVENT = "condition", "photo"
COLOURS = (N_("like new"), N_("amber"), N_("brown"), N_("black"), N_("grey"))
SMELLS = (N_("usual"), N_("burnt"), N_("fuel"), N_("coolant"))
METAL = (N_("none"), N_("fine paste"), N_("flakes"), N_("chips"))
MAX_BYTES = 12_000_000
MAX_PIXELS = 16_000_000
"""What a phone takes (12 megapixels as a rule, from memory) and a Pi unpacks: 64 MB, and once more while it is scaled."""
MAX_SIDE = 2048
MAX_PHOTOS = 24
"""Of one job: the magnet, the fluid, the seal from each side, and twice over."""
MAX_FOLDER_BYTES = 4_000_000_000
"""Of all jobs: some 8,000 photos of half a megabyte, a quarter of a 16 GB card."""
FLOOR_BYTES = 500_000_000
"""Photos leave this much of the disk to the record, ten times what a job needs to begin."""
T = TypeVar("T", "Condition", "KeptPhoto")
_NAME = re.compile(r"[0-9a-f]{64}\.(?:jpg|png)")


@dataclass(frozen=True)
class Condition:
    """colour, smell, metal (on the magnet): one of the words above; milky: water worked into the fluid."""

    colour: str
    smell: str
    metal: str
    milky: bool = False
    note: str = ""

    def to_dict(self) -> dict[str, Any]:
        return asdict(self)


def picked(colour: str, smell: str, metal: str, milky: bool = False, note: str = "") -> Condition:
    """A condition as picked from the lists. Raises InputError naming the field, the value and the words to pick from."""
    for name, word, words in (
        (N_("colour"), colour, COLOURS),
        (N_("smell"), smell, SMELLS),
        (N_("metal"), metal, METAL),
    ):
        if word not in words:
            raise InputError(
                _("{name} is {word!r}; expected one of: {words}.").format(
                    name=_(name), word=word[:40], words=", ".join(map(_, words))
                )
            )
    if len(note) > 1000:
        raise InputError(_("note; expected a text of at most 1000 characters."))
    return Condition(colour, smell, metal, milky, note.strip())


def findings(condition: Condition, break_in: bool = False) -> list[str]:
    """What the trade reads from it; the vehicle's service manual has the last word (common practice, no source).

    break_in: this was a new unit's first change, when fine metal is expected.
    """
    found = []
    if condition.milky:
        found.append(_("Milky: water in the fluid. Look at breather and seals, and change again soon."))
    if condition.smell == "burnt" or condition.colour == "black":
        found.append(_("Dark or burnt: overheated or long overdue."))
    if condition.smell == "fuel":
        found.append(_("Smells of fuel: thinned; find where it comes from before filling."))
    if condition.smell == "coolant":
        found.append(_("Smells of coolant: a leak into the housing; find it before filling."))
    if condition.metal == "fine paste":
        usual = _("Fine paste on the magnet: usual at a first change.")
        found.append(usual if break_in else _("Fine paste on the magnet: usual wear."))
    if condition.metal == "flakes":
        found.append(
            _("Flakes: more than wear. Note it, shorten the interval, look again at the next change.")
        )
    if condition.metal == "chips":
        found.append(_("Chips: a gear or bearing is breaking up. Have it opened before the vehicle runs."))
    return found


# --- photos ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Photo:
    """A cleaned photo. name: its file beside the ledger, the SHA-256 of data and what it is."""

    data: bytes
    name: str
    mime: str
    width: int
    height: int

    def event_body(self, by: str = "", text: str = "") -> dict[str, Any]:
        sizes = {"bytes": len(self.data), "width": self.width, "height": self.height}
        return {"name": self.name, "mime": self.mime, **sizes, "by": by, "text": text[:1000]}


def clean_photo(data: bytes) -> Photo:
    """Take in a JPEG or PNG file. Raises InputError for anything else, one that is too big, or a broken one."""
    from PIL import Image, ImageOps  # only where a photo comes in: a station without photos never loads it

    if len(data) > MAX_BYTES:
        raise InputError(
            _("the photo has {size} bytes; expected at most {most}.").format(size=len(data), most=MAX_BYTES)
        )
    try:
        with Image.open(io.BytesIO(data), formats=("JPEG", "PNG")) as opened:
            # The size stands in the file's head; nothing is unpacked before it is found to be small enough.
            if opened.width * opened.height > MAX_PIXELS:
                raise InputError(
                    _(
                        "the photo has {width} × {height} pixels; expected at most {most} in all. Take it with a smaller picture size."
                    ).format(width=opened.width, height=opened.height, most=number(MAX_PIXELS, ","))
                )
            kind = "PNG" if opened.format == "PNG" else "JPEG"
            opened.draft("RGB", (MAX_SIDE, MAX_SIDE))
            opened.thumbnail((MAX_SIDE, MAX_SIDE))  # before it is turned, which takes a copy
            pixels = ImageOps.exif_transpose(opened).convert("RGB")
    except InputError:
        raise
    except (Image.DecompressionBombError, Image.DecompressionBombWarning) as error:
        raise InputError(
            _("the photo has too many pixels; expected at most {most} in all.").format(
                most=number(MAX_PIXELS, ",")
            )
        ) from error
    except (OSError, SyntaxError, ValueError) as error:
        # What the library says of it names things of this process, an object's address among them.
        raise InputError(_("the photo is not a whole JPEG or PNG file. Take it again.")) from error
    # A new image of the same pixels: whatever else the file said stays behind.
    bare = Image.frombytes("RGB", pixels.size, pixels.tobytes())
    out = io.BytesIO()
    bare.save(out, kind, **({"quality": 85} if kind == "JPEG" else {"optimize": False}))
    cleaned = out.getvalue()
    suffix = "png" if kind == "PNG" else "jpg"
    name = f"{hashlib.sha256(cleaned).hexdigest()}.{suffix}"
    return Photo(cleaned, name, f"image/{kind.lower()}", *bare.size)


def need_room(ledger: Any, folder: Path, job_id: str) -> None:
    """Raises InputError where the job has its photos already, StationError where folder or disk has no room."""
    taken = sum(event["kind"] == PHOTO_EVENT for event in ledger.events(job_id))
    if taken >= MAX_PHOTOS:
        raise InputError(
            _(
                "this job has {taken} photos, which is as many as a job may have. Say the rest in a note."
            ).format(taken=taken)
        )
    if folder.is_dir():
        used = sum(file.stat().st_size for file in os.scandir(folder))
        if used >= MAX_FOLDER_BYTES:
            raise StationError(
                _(
                    "Photos take {used_gb} GB, which is all they may. The job goes on without more; move old photos to another place first."
                ).format(used_gb=number(used / 1e9, ".1f"))
            )
    free = shutil.disk_usage(folder if folder.is_dir() else folder.parent).free
    if free < FLOOR_BYTES:
        raise StationError(
            _(
                "The disk has {free_mb} MB free, which is kept for the record; photos need {least_mb} MB or more. Free some space first."
            ).format(free_mb=number(free / 1e6, ".0f"), least_mb=number(FLOOR_BYTES / 1e6, ".0f"))
        )


def folder_of(ledger_path: Path) -> Path:
    """Where a ledger's photos lie."""
    return ledger_path.with_name(f"{ledger_path.stem}-photos")


def store(folder: Path, photo: Photo) -> None:
    """Put a photo on disk before its event is written. Raises OSError where the disk refuses."""
    folder.mkdir(parents=True, exist_ok=True)
    folder.chmod(0o700)  # the service's alone, as the ledger is
    path = folder / photo.name
    if path.exists():
        return
    part = path.with_suffix(".part")
    with os.fdopen(os.open(part, os.O_CREAT | os.O_TRUNC | os.O_WRONLY | os.O_CLOEXEC, 0o600), "wb") as file:
        file.write(photo.data)
        file.flush()
        os.fsync(file.fileno())
    part.replace(path)
    sync(folder)  # its name has to be on disk too before an entry speaks of it


def load(folder: Path, name: str) -> bytes:
    """A photo's bytes. Raises KeyError if there is none of that name, InputError if it was changed."""
    if not _NAME.fullmatch(name) or not (folder / name).is_file():
        raise KeyError(name)
    data = (folder / name).read_bytes()
    if hashlib.sha256(data).hexdigest() != name.partition(".")[0]:
        raise InputError(
            _("the photo {name} is not what was recorded: its bytes were changed.").format(name=name)
        )
    return data


@dataclass(frozen=True)
class KeptPhoto:
    """A photo as a job's record names it. by: who took it; mime, bytes, width, height: of its file."""

    name: str
    mime: str
    bytes: int
    width: int
    height: int
    by: str
    text: str
    utc: str


@dataclass(frozen=True)
class Noted:
    """What the record has of a job's drained fluid. condition: the newest; None where none was noted."""

    condition: Condition | None
    findings: tuple[str, ...]
    photos: tuple[KeptPhoto, ...]

    def to_dict(self) -> dict[str, Any]:
        return asdict(self)


def of_job(ledger: Any, job_id: str, break_in: bool = False) -> Noted:
    """What was noted in a job. break_in: as for ``findings``."""
    noted: Condition | None = None
    photos = []
    for event in ledger.events(job_id):
        if event["kind"] == EVENT:
            noted = _of_body(Condition, event["body"])
        elif event["kind"] == PHOTO_EVENT:
            photos.append(_of_body(KeptPhoto, {**event["body"], "utc": event["utc"]}))
    found = findings(noted, break_in) if noted is not None else []
    return Noted(noted, tuple(found), tuple(photos))


def _of_body(kind: type[T], body: Mapping[str, Any]) -> T:
    """A body says more than its kind has: who signed in to enter it."""
    names = {one.name for one in fields(kind)}
    return kind(**{name: value for name, value in body.items() if name in names})


def broken_photos(db: Any, folder: Path) -> list[str]:
    """What is wrong with the photos that the ledger's database names: missing or changed, one sentence each."""
    wrong = []
    for job_id, body in db.execute("select job_id, body from event where kind = ?", [PHOTO_EVENT]):
        name = json.loads(body)["name"]
        try:
            load(folder, name)
        except KeyError:
            wrong.append(f"the photo {name} of job {job_id} is missing")
        except InputError:
            wrong.append(f"the photo {name} of job {job_id} was changed")
    return wrong
