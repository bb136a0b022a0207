"""Power cuts in number: ``python -m tests.pi.soak [CUTS]``, by default 1,000 of the recorded writes of one flood on the board, and
as many of a whole job's on a card without a board. ``played`` behind it: those alone, in a minute or two without an emulator.
"""

import sys
import tempfile
import time
from pathlib import Path

from tests.pi.card import card, copy
from tests.pi.cuts import Judged, cut_and_judge, judge_card
from tests.pi.played import MARKS_AT as PLAYED_MARKS_AT
from tests.pi.played import record
from tests.pi.test_power_on_board import MARKS_AT, flooded

ANSWERS = 400
PLANTED_CUTS, PLANTED_LATE = 10, 400


def on_the_board(folder: Path, cuts: int) -> Judged:
    """A flood of notes on the board, ended by the end of its power."""
    copy(card(), folder / "card")
    answered, _ = flooded(folder, ANSWERS, folder / "writes")
    failed = [f"the real cut: {text}" for text in judge_card(folder / "card", folder, answered)]
    judged = cut_and_judge(card(), folder / "writes", MARKS_AT, cuts, 1, folder / "cuts")
    judged.failed += failed
    return judged


def played(folder: Path, cuts: int) -> Judged:
    """A whole job and the next one's fill, each moment with notes; a cut leaves any part of what the cache held."""
    (folder / "played").mkdir()
    seen = record(folder / "played")
    print(", ".join(f"{moment}: {n} answers" for moment, n in seen.answered.items()), flush=True)
    judged = cut_and_judge(seen.card, seen.log, PLAYED_MARKS_AT, cuts, 1, folder / "laid", cached=True)
    planted = cut_and_judge(
        seen.card, seen.log, PLAYED_MARKS_AT, PLANTED_CUTS, 1, folder / "laid", PLANTED_LATE, cached=True
    )
    if not planted.failed:
        judged.failed.append(f"answers claimed {PLANTED_LATE} sectors early were not seen as lost")
    return judged


def main() -> int:
    cuts = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    failed = []
    for judge in (played,) if "played" in sys.argv[2:] else (played, on_the_board):
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
