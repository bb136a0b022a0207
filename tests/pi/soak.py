"""Power cuts in number: ``python -m tests.pi.soak [CUTS]``, by default 1,000 of one flood's recorded writes."""

import sys
import tempfile
import time
from pathlib import Path

from tests.pi.card import card, copy
from tests.pi.cuts import cut_and_judge, judge_card
from tests.pi.test_power_on_board import MARKS_AT, flooded

ANSWERS = 400


def main() -> int:
    cuts = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory(dir="/var/tmp") as place:
        folder = Path(place)
        copy(card(), folder / "card")
        answered, _ = flooded(folder, ANSWERS, folder / "writes")
        failed = [f"the real cut: {text}" for text in judge_card(folder / "card", folder, answered)]
        judged = cut_and_judge(card(), folder / "writes", MARKS_AT, cuts, 1, folder / "cuts")
    failed += judged.failed
    print(
        f"{judged.cuts} cuts, {judged.answered[0]} to {judged.answered[-1]} answers before them, {len(failed)} failed; "
        f"{time.monotonic() - began_s:.0f} s"
    )
    print(*failed, sep="\n")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
