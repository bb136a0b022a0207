"""What the station says of a vehicle that comes again (``again.py``): ``python -m tests.apart.coming_back FIRST JOBS``.

Between the visits stands what a shop's record keeps: a fill that the station took for proved is learned from, as the bay does,
and what came out is asked about at the next visit, where a capacity cannot hold it.
"""

import random
import sys
import tomllib
from collections import Counter
from dataclasses import replace

import tomli_w

from calibration.budget import NORMAL_95
from station.common.units import parse_volume_l
from station.given.listing import rounding_l
from station.learning import asking
from station.learning.expected import Expected, learn
from tests.apart.again import KINDS, VISITS, again, first
from tests.apart.playing import Played, play
from tests.apart.running import replay

Fills = list[tuple[float, float]]


def known(played: Played, fills: Fills) -> Expected:
    job = tomllib.loads(played.job_toml)["job"]
    listed_l = parse_volume_l(job["capacity"])
    return learn(listed_l, job["method"], fills, u_rounding_l=rounding_l(job["capacity"], listed_l))


def meter_record(seed: int, factor: float) -> dict[str, object]:
    """Half of the bays have twenty fills behind them that were borne out, and a proving in date."""
    rng = random.Random(f"record {seed}")
    if rng.random() >= 0.5:
        return {}
    offset_rel = factor - 1.0 + rng.gauss(0.0, 0.003)
    return {"meter_record": {"fills": 20, "offset_rel": offset_rel, "u_offset_rel": 0.004, "proved": True}}


def with_what_is_known(played: Played, fills: Fills, seed: int) -> Played:
    tables, shop = tomllib.loads(played.job_toml), known(played, fills)
    if shop.n:
        tables["job"] |= {
            "retained": f"{shop.retained_l!r} L", "u_retained": f"{shop.u_l!r} L", "learned_from": shop.n
        }  # fmt: skip
    tables |= meter_record(seed, played.scene.meter.factor)
    return replace(played, job_toml=tomli_w.dumps(tables))


def visits(seed: int, kind: str, most: int = VISITS) -> list[tuple[str, str, int, bool, bool]]:
    """Of each visit: what is so, what was said, learned fills, whether short by more than U95, and whether it was asked about
    what came out, while the job was planned or before its fill."""
    rows, fills, came = [], Fills(), list[tuple[float, float]]()
    visit = first(seed, kind)
    for nth in range(1, most + 1):
        played = play(visit.scene)
        shop = known(played, fills)
        told = replay(with_what_is_known(played, fills, seed))
        u95_l = float((told["filled_u95_l"] ** 2 + told["expected_fill_u95_l"] ** 2) ** 0.5)
        earlier = [
            asking.drained_question(out_l, u_l, shop.value_l, shop.u_l)
            for out_l, u_l in came
            if out_l > shop.value_l
        ]
        asked = {"unit_mixup", "drained_unlike"} & {str(n["kind"]) for n in told["notices"]} or any(earlier)
        below_l = played.truth.below_lip_l - visit.scene.typed.tolerance_l
        rows.append((played.truth.verdict, told["verdict"], shop.n, below_l > u95_l, bool(asked)))
        if told["proved_fill_l"] is not None:
            fills.insert(0, (told["proved_fill_l"], told["filled_u95_l"] / NORMAL_95))
        came.append((told["drained_l"], told["drained_u95_l"] / NORMAL_95))
        visit = again(seed, nth, played, known(played, fills).value_l)
    return rows


def main() -> None:
    begin, jobs = int(sys.argv[1]), int(sys.argv[2])
    found: dict[tuple[str, int], Counter[str]] = {}
    for seed in range(begin, begin + jobs):
        for kind in KINDS:
            for nth, (truth, said, n, far, asked) in enumerate(visits(seed, kind), 1):
                row = found.setdefault((kind, nth), Counter())
                row.update([f"said {said}", *["asked"] * asked, *["learned from"] * (n > 0)])
                row.update(["full, short by more than U95"] * (said == "full" and far))
                row.update(["wrong"] * (said not in ("undecided", truth)))
    for (kind, nth), row in found.items():
        print(f"{kind}, visit {nth}: {dict(sorted(row.items()))}")


if __name__ == "__main__":
    main()
