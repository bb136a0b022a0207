"""Power cuts in number: ``python -m tests.pi.soak [CUTS] [JUDGE …]``, by default 1,000 of each judge. ``played``: of a whole job's
writes to a card without a board, in a minute or two without an emulator; ``migrated``: of an older record brought up there. ``board``: of what the emulated board writes to its
card in a day, from its first start to its last, while an older record is brought up, and in the start behind a cut; and
for each moment the board started again from a card that a cut left, its pump's pad watched. ``flood``: of one flood of notes.

The boards' days take ten minutes of a processor and more, each start again two: where they are is said as it comes, behind the
emulator's processor time.
"""

import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from hardware.sample import Sample
from tests.pi.board import boot_card, from_card
from tests.pi.card import card, copy
from tests.pi.cuts import PATH, Judged, Recording, cut_and_judge, judge_card
from tests.pi.played import BROUGHT_UP, OLD, brought_up, record
from tests.pi.played import MARKS_AT as PLAYED_MARKS_AT
from tests.pi.test_power_on_board import MARKS_AT, flooded
from tests.station.record import version_1

ANSWERS = 400
PLANTED_CUTS, PLANTED_LATE = 10, 400
BOARDS = 2
"""So many at a time."""
FILLING = "the pump on"
MOMENTS = 13
"""Of all the board's days together."""
OLD_JOBS, OLD_SAMPLES = 12, 1500


def flood(folder: Path, cuts: int) -> Judged:
    """A flood of notes on the board, ended by the end of its power."""
    copy(card(), folder / "card")
    answered, _ = flooded(folder, ANSWERS, folder / "writes")
    failed = [f"the real cut: {text}" for text in judge_card(folder / "card", folder, answered)]
    judged = cut_and_judge(Recording.read(card(), folder / "writes", MARKS_AT), cuts, 1, folder / "cuts")
    judged.failed += failed
    return judged


def said(line: str) -> None:
    print(line, flush=True)


def recorded(start: Path, day: str, before: Sequence[str] = ()) -> Recording:
    """What a board writes in a day to a copy of a card. day: as the guest takes it. before: as for ``Recording.read``."""
    run, log = start.with_name(f"{start.name}-run"), start.with_name(f"{start.name}-writes")
    copy(start, run)
    boot_card(run, "day.py", f"marks_at={MARKS_AT} {day}", log).results(said)
    run.unlink()
    return Recording.read(start, log, MARKS_AT, before=before)


def old_jobs() -> dict[str, list[Sample]]:
    return {
        f"old-{n}": [Sample(i * 0.1, "pan", 84_000 + i) for i in range(OLD_SAMPLES)] for n in range(OLD_JOBS)
    }


def with_old_record(folder: Path) -> tuple[Path, list[str]]:
    """A card with a record of the first version, and what it holds."""
    jobs = old_jobs()
    version_1.write(folder / "old.sqlite", jobs)
    old = folder / "old"
    copy(card(), old)
    lines = f"mkdir /var/lib/tallypan\nwrite {folder / 'old.sqlite'} /var/lib/tallypan/ledger.sqlite\n"
    subprocess.run(
        ["debugfs", "-w", str(old)], input=lines, text=True, capture_output=True, env=PATH, check=True
    )
    return old, list(jobs)


def days(folder: Path) -> Iterator[Recording]:
    """What the board writes, the shortest of its days first: a start on an older record, a whole day, a start behind its cut."""
    start, known = with_old_record(folder)
    yield recorded(start, f"moments=start called={BROUGHT_UP.replace(' ', '_')}", known)
    copy(card(), folder / "day")
    day = recorded(folder / "day", "moments=whole")
    yield day
    filling = next(point for point, moment in day.points(len(day.moments), 2) if moment == FILLING)
    known = day.cut_card(filling, folder / "behind")
    yield recorded(folder / "behind", "moments=start called=the_start_behind_a_cut", known)


def board(folder: Path, cuts: int) -> Judged:
    """All moments of the board's days, as many cuts in each of a day's; from one cut of each the board is started again."""
    whole = Judged()
    for day in days(folder):
        judged = cut_and_judge(day, -(-cuts * len(day.moments) // MOMENTS), 1, folder / "laid")
        whole.moments += judged.moments
        whole.answered += judged.answered
        whole.failed += judged.failed
        print(judged.moments, *judged.failed, sep="\n", flush=True)
        if not cut_and_judge(day, PLANTED_CUTS, 1, folder / "laid", PLANTED_LATE).failed:
            whole.failed.append(f"answers claimed {PLANTED_LATE} sectors early were not seen as lost")
        with ThreadPoolExecutor(BOARDS) as boards:
            again = {
                moment: boards.submit(started_again, day, point, folder, moment)
                for point, moment in day.points(len(day.moments), 2)
            }
            for moment, done in again.items():
                whole.failed += [f"started again, cut in {moment}: {text}" for text in done.result()]
    return whole


def started_again(recording: Recording, point: int, folder: Path, moment: str) -> list[str]:
    """What is wrong with a board that is started from a card as a cut left it."""
    folder = Path(tempfile.mkdtemp(dir=folder))
    card = folder / "cut"
    answered = recording.cut_card(point, card)
    seen = from_card(card, "trouble.py", say=lambda line: said(f"cut in {moment}: {line}"))
    failed = judge_card(card, folder, answered)
    failed += [f"its pump's pad was {pad}" for pad in seen["pads"] if pad == "out hi"]
    failed += [] if seen["pad"] == "out lo" else [f"its pump's pad is {seen['pad']}, not held low"]
    failed += [] if seen["health"]["ok"] else [f"not well: {seen['health']}"]
    shutil.rmtree(folder)
    said(f"started again, cut in {moment}, {len(answered)} answers out: {failed or 'well, nothing lost'}")
    return failed


def played(folder: Path, cuts: int) -> Judged:
    """A whole job and the next one's fill, each moment with notes; a cut leaves any part of what the cache held."""
    (folder / "played").mkdir()
    seen = record(folder / "played")
    print(", ".join(f"{moment}: {n} answers" for moment, n in seen.answered.items()), flush=True)
    told = Recording.read(seen.card, seen.log, PLAYED_MARKS_AT, cached=True)
    judged = cut_and_judge(told, cuts, 1, folder / "laid")
    if not cut_and_judge(told, PLANTED_CUTS, 1, folder / "laid", PLANTED_LATE).failed:
        judged.failed.append(f"answers claimed {PLANTED_LATE} sectors early were not seen as lost")
    return judged


def migrated(folder: Path, cuts: int) -> Judged:
    """A record of the first version brought up, on a card without a board."""
    (folder / "old").mkdir()
    log = brought_up(folder / "old", jobs := old_jobs())
    told = Recording.read(folder / "old/start", log, PLAYED_MARKS_AT, cached=True, before=list(jobs))
    del told.moments[OLD]
    return cut_and_judge(told, cuts, 1, folder / "laid")


def main() -> int:
    cuts = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    failed = []
    for judge in (played, migrated, board, flood):
        if sys.argv[2:] and judge.__name__ not in sys.argv[2:]:
            continue
        began_s = time.monotonic()
        with tempfile.TemporaryDirectory(dir="/var/tmp") as place:
            judged = judge(Path(place), cuts)
        failed += judged.failed
        print(
            f"{judge.__name__}: {judged.cuts} cuts, {judged.answered[0]} to {judged.answered[-1]} answers before them, "
            f"{len(judged.failed)} failed; {time.monotonic() - began_s:.0f} s",
            flush=True,
        )
    print(*failed, sep="\n")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
