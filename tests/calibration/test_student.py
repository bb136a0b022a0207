"""Student's t against scipy's ``stdtrit``, an independent implementation, wherever a budget may ask for it."""

import subprocess
import sys
from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special

from calibration.student import EXPANDED_FROM, INFINITE_FROM, student_t


@given(
    st.one_of(
        st.integers(1, 30).map(float), st.floats(1.0, 2.0 * EXPANDED_FROM), st.floats(1.0, INFINITE_FROM)
    ),
    st.one_of(st.sampled_from([68.27, 90.0, 95.0, 99.0, 99.73]), st.floats(50.0, 99.999)),
)
def test_agrees_with_scipy(dof: float, percent: float) -> None:
    # From the tail, which is exact: as a share near 1 it were rounded by more than is asked here.
    assert student_t(dof, percent) == pytest.approx(
        -special.stdtrit(dof, (100.0 - percent) / 200.0), rel=1e-11
    )


def test_it_ends_in_the_normal_distribution() -> None:
    assert student_t(inf, 95.0) == pytest.approx(special.ndtri(0.975), rel=1e-15)
    assert student_t(INFINITE_FROM, 95.0) == pytest.approx(student_t(inf, 95.0), rel=2e-5)
    assert student_t(2.0 * INFINITE_FROM, 95.0) == student_t(inf, 95.0)


@pytest.mark.parametrize(("dof", "percent"), [(0.99, 95.0), (float("nan"), 95.0), (4.0, 0.0), (4.0, 100.0)])
def test_what_has_no_quantile_is_refused(dof: float, percent: float) -> None:
    with pytest.raises(ValueError, match="expected 1 or more"):
        student_t(dof, percent)


LOADS = """
import sys
from calibration import budget
budget.preload()
drained = budget.metered(volume_reference_l=2.9, u_pulses_l=1e-3, u_k_rel=1e-3, expansion_per_c=7e-4, u_temperature_c=0.5, dof_k=4.0)
assert drained.u95 > 2.0 * drained.u
assert not [name for name in sys.modules if name.startswith("scipy")]
from calibration.by_gtc import gtc
assert abs(gtc().reporting.k2_factor_sq(3) - 57.0) < 1e-9  # GTC's own example: what it asks scipy for is there when asked
"""


def test_a_budget_is_made_without_scipy_and_gtc_still_finds_it() -> None:
    """Loaded, it is a tenth of what a running bay may take of a small board's memory."""
    done = subprocess.run([sys.executable, "-W", "ignore", "-c", LOADS], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
