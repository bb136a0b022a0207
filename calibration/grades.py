"""Does a viscosity belong to the gear-oil grade that is written on the container? (SAE J306)"""

from __future__ import annotations

import re

from calibration.ranges import check_scalar
from calibration.reference_data import load

_GRADE = re.compile(r"(?:SAE\s*)?(?:(?P<winter>\d+W)(?:-(?P<summer>\d+))?|(?P<single>\d+))", re.IGNORECASE)


def doubt_about_grade(grade: str, kv100_mm2_s: float) -> str | None:
    """A sentence on why this viscosity at 100 °C (mm²/s) cannot be that gear-oil grade, or None.

    Grades: "75W-90", "80W", "90". Raises ValueError for a grade that SAE J306 does not know (engine oils
    and hydraulic oils have other tables). Source: reference/gear_grades.toml.
    """
    check_scalar("kinematic viscosity at 100 °C", kv100_mm2_s, 2.0, 500.0, "mm²/s")
    table = load("gear_grades")
    winters, summers = table["winter_minimum_kv100_mm2_s"], table["kv100_mm2_s"]
    match = _GRADE.fullmatch(grade.strip())
    winter = (match["winter"] or "").upper() if match else ""
    summer = (match["summer"] or match["single"] or "") if match else ""
    if not match or (winter and winter not in winters) or (summer and summer not in summers):
        known = ", ".join([*winters, *summers])
        raise ValueError(f"gear-oil grade is {grade!r}, expected a combination such as 75W-90 of {known}.")
    if winter and kv100_mm2_s < winters[winter]:
        return (
            f"{kv100_mm2_s:g} mm²/s at 100 °C is below the {winters[winter]:g} mm²/s that {winter} promises "
            "(SAE J306). Check grade and data sheet."
        )
    if summer and not summers[summer][0] <= kv100_mm2_s < summers[summer][1]:
        low, high = summers[summer]
        return (
            f"{kv100_mm2_s:g} mm²/s at 100 °C lies outside {low:g} to {high:g} mm²/s, the range of grade "
            f"{summer} (SAE J306). Check grade and data sheet."
        )
    return None
