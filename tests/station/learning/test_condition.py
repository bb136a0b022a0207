"""The drained fluid in the trade's words; photos come in clean, or not at all."""

import io
import re
import struct
import subprocess
import sys
import zlib
from pathlib import Path
from typing import Any

import pytest
from PIL import Image, PngImagePlugin

from station.__main__ import main
from station.errors import InputError, StationError
from station.learning import condition
from station.learning.condition import Condition, clean_photo
from station.record.ledger import Ledger
from tests.station.shop_rows import at

SECRET = b"52.1234N 4.5678E phone of M. Okafor"


def picture(width: int = 60, height: int = 40) -> Image.Image:
    image = Image.new("RGB", (width, height), (200, 180, 40))
    image.paste((10, 10, 10), (0, 0, width // 3, height // 2))
    return image


def jpeg(orientation: int = 1, image: Image.Image | None = None) -> bytes:
    exif = Image.Exif()
    exif[0x0112], exif[0x010E] = orientation, SECRET.decode()
    out = io.BytesIO()
    (image or picture()).save(out, "JPEG", exif=exif, comment=SECRET, quality=90)
    return out.getvalue()


def png() -> bytes:
    info = PngImagePlugin.PngInfo()
    info.add_text("Comment", SECRET.decode())
    out = io.BytesIO()
    picture().save(out, "PNG", pnginfo=info)
    return out.getvalue()


def colour(image: Image.Image, x: int, y: int) -> tuple[int, ...]:
    found = image.getpixel((x, y))
    assert isinstance(found, tuple)
    return found


@pytest.mark.parametrize(("data", "mime"), [(jpeg(), "image/jpeg"), (png(), "image/png")])
def test_nothing_but_pixels_is_kept(data: bytes, mime: str) -> None:
    assert SECRET in data
    photo = clean_photo(data + b"trailing " + SECRET)
    assert photo.mime == mime
    assert SECRET not in photo.data
    assert b"Exif" not in photo.data
    with Image.open(io.BytesIO(photo.data)) as kept:
        assert not kept.getexif()
        assert "comment" not in {str(key).casefold() for key in kept.info}
        assert kept.size == (60, 40)
        assert max(abs(a - b) for a, b in zip(colour(kept, 50, 30), (200, 180, 40), strict=True)) <= 6


def test_a_photo_taken_sideways_stands_upright() -> None:
    photo = clean_photo(jpeg(orientation=6))  # rotate by 90° clockwise to view
    assert (photo.width, photo.height) == (40, 60)
    with Image.open(io.BytesIO(photo.data)) as kept:
        assert sum(colour(kept, 36, 4)) < 120  # the dark corner went to the top right


def test_a_big_photo_is_made_smaller() -> None:
    photo = clean_photo(jpeg(image=picture(5000, 3000)))
    assert (photo.width, photo.height) == (2048, 1229)


REFUSED = {
    "a text": (b"not a picture", "not a whole JPEG or PNG"),
    "nothing": (b"", "not a whole JPEG or PNG"),
    "another format": (b"GIF89a" + b"\x00" * 50, "not a whole JPEG or PNG"),
    "half a JPEG": (jpeg(image=picture(600, 400))[:3000], "not a whole JPEG or PNG"),
    "half a PNG": (png()[:90], "not a whole JPEG or PNG"),
    "too many bytes": (b"\xff\xd8" + b"\x00" * condition.MAX_BYTES, "expected at most 12000000"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_is_no_usable_photo_is_refused_with_a_reason(name: str) -> None:
    data, words = REFUSED[name]
    with pytest.raises(InputError, match=words):
        clean_photo(data)


@pytest.mark.parametrize("side", [4001, 8000, 12_000, 20_000])
def test_a_small_file_with_very_many_pixels_is_refused(side: int) -> None:
    """A PNG of one colour is tiny and would fill the memory when unpacked."""
    out = io.BytesIO()
    Image.new("1", (side, side)).save(out, "PNG")
    with pytest.raises(InputError, match="pixels"):
        clean_photo(out.getvalue())


def flat_png(side: int) -> bytes:
    """A PNG of one colour with transparency, made row by row so that this test itself needs no memory for it."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    packer, row = zlib.compressobj(9), bytes(1 + 4 * side)
    rows = b"".join(packer.compress(row) for _ in range(side)) + packer.flush()
    head = struct.pack(">IIBBBBB", side, side, 8, 6, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


TAKE_IN = """
import resource, sys
from PIL import Image, JpegImagePlugin, PngImagePlugin
from station.errors import InputError, StationError
from station.learning.condition import clean_photo
data = open(sys.argv[1], "rb").read()
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
try:
    said = str(clean_photo(data).width)
except InputError as error:
    said = str(error)
print((resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) // 1024, said)
"""


@pytest.mark.parametrize(
    ("side", "most_mb", "words"), [(4000, 200, "2048"), (7700, 10, "7700 × 7700 pixels; expected at most")]
)
def test_the_memory_that_a_photo_takes_is_bounded_before_it_is_unpacked(
    tmp_path: Path, side: int, most_mb: int, words: str
) -> None:
    """One file of 249 kB with 7700² pixels took 897 MB once."""
    path = tmp_path / "flat.png"
    path.write_bytes(flat_png(side))
    assert path.stat().st_size < 300_000
    run = subprocess.run(
        [sys.executable, "-c", TAKE_IN, str(path)], capture_output=True, text=True, check=True
    )
    grown_mb, said = run.stdout.split(" ", 1)
    assert said.startswith(words) or words in said
    assert int(grown_mb) < most_mb


@pytest.mark.parametrize("name", REFUSED)
def test_an_error_names_nothing_of_this_process(name: str) -> None:
    with pytest.raises(InputError) as caught:
        clean_photo(REFUSED[name][0])
    assert not re.search(r"0x[0-9a-f]+|BytesIO|<", str(caught.value))


def test_a_job_has_so_many_photos_and_no_more(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(condition, "MAX_PHOTOS", 2)
    path, photo = tmp_path / "depot.sqlite", clean_photo(jpeg())
    ledger = Ledger(path)
    for _ in range(2):
        condition.need_room(ledger, condition.folder_of(path), "j1")
        ledger.append("j1", condition.PHOTO_EVENT, photo.event_body(), at("2026-01-02"))
    with pytest.raises(InputError, match="has 2 photos"):
        condition.need_room(ledger, condition.folder_of(path), "j1")
    condition.need_room(ledger, condition.folder_of(path), "j2")
    ledger.close()


@pytest.mark.parametrize(
    ("bound", "value", "words"),
    [("MAX_FOLDER_BYTES", 500, "all they may"), ("FLOOR_BYTES", 10**18, "kept for the record")],
)
def test_photos_leave_the_disk_to_the_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bound: str, value: int, words: str
) -> None:
    path = tmp_path / "depot.sqlite"
    folder = condition.folder_of(path)
    ledger = Ledger(path)
    condition.store(folder, clean_photo(jpeg()))
    condition.need_room(ledger, folder, "j1")
    monkeypatch.setattr(condition, bound, value)
    with pytest.raises(StationError, match=words):
        condition.need_room(ledger, folder, "j1")
    ledger.close()


def test_photos_lie_beside_the_ledger_under_their_hash_and_tampering_shows(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "depot.sqlite"
    folder = condition.folder_of(path)
    assert folder == tmp_path / "depot-photos"
    one, two = clean_photo(jpeg()), clean_photo(png())
    ledger = Ledger(path)
    ledger.append("j1", "job_open", {"job": {}}, at("2026-01-01"))
    for photo in (one, two):
        condition.store(folder, photo)
        condition.store(folder, photo)  # the same photo again is the same file
        ledger.append("j1", condition.PHOTO_EVENT, photo.event_body("M. Okafor", "magnet"), at("2026-01-02"))
    noted = Condition("black", "burnt", "chips", note="whines")
    ledger.append("j1", condition.EVENT, noted.to_dict(), at("2026-01-02"))
    assert sorted(file.name for file in folder.iterdir()) == sorted([one.name, two.name])
    got = condition.of_job(ledger, "j1")
    assert got.condition == noted
    assert [photo.name for photo in got.photos] == [one.name, two.name]
    assert any("gear or bearing" in text for text in got.findings)
    assert condition.load(folder, one.name) == one.data
    assert condition.broken_photos(ledger.db, folder) == []
    (folder / one.name).write_bytes(two.data)
    (folder / two.name).unlink()
    assert [text.split()[-1] for text in condition.broken_photos(ledger.db, folder)] == ["changed", "missing"]
    assert ledger.verify() is None
    ledger.close()
    assert main(["verify", "--ledger", str(path)]) == 1
    assert f"the photo {one.name} of job j1 was changed" in capsys.readouterr().err


def test_what_somebody_who_signed_in_noted_is_read_back(tmp_path: Path) -> None:
    """The record says beside the condition who entered it."""
    ledger = Ledger(tmp_path / "l.sqlite")
    noted = Condition("black", "burnt", "chips")
    ledger.append("j1", "job_open", {"job": {}}, at("2026-01-01"))
    ledger.append("j1", condition.EVENT, {**noted.to_dict(), "by": "M. Okafor"}, at("2026-01-02"))
    assert condition.of_job(ledger, "j1").condition == noted
    ledger.close()


@pytest.mark.parametrize("name", ["../depot.sqlite", "a.jpg", "", "/etc/passwd", "0" * 64 + ".jpg/.."])
def test_no_other_file_can_be_fetched_as_a_photo(name: str, tmp_path: Path) -> None:
    with pytest.raises(KeyError):
        condition.load(tmp_path, name)


def test_form_takes_the_trades_words_and_no_others() -> None:
    form: dict[str, Any] = {
        "colour": "grey",
        "smell": "usual",
        "metal": "fine paste",
        "milky": True,
        "note": " first change ",
    }
    assert condition.picked(**form) == Condition("grey", "usual", "fine paste", True, "first change")
    for name, value in (
        ("colour", "purple"),
        ("smell", ""),
        ("metal", "lots"),
        ("note", "x" * 1001),
    ):
        with pytest.raises(InputError, match=name):
            condition.picked(**{**form, name: value})


def test_fine_paste_is_usual_at_a_first_change() -> None:
    paste = Condition("amber", "usual", "fine paste")
    assert "first change" in condition.findings(paste, break_in=True)[0]
    assert "usual wear" in condition.findings(paste)[0]
    assert condition.findings(Condition("amber", "usual", "none")) == []
    assert condition.findings(Condition("grey", "usual", "none", milky=True))[0].startswith("Milky: water")
