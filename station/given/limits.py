"""What is believed of a bay before it has measured: each number of judgement with its unit and its reason.

Ranges of a file's fields stand with the fields; how a recording is written stands in ``station.given.recording``.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Limits:
    """What ``station.given`` compares with."""

    u_level_rel: float = 0.005
    """Of the capacity: where exactly the level is meant to stand at the plug. Common practice, no source."""
    arrives_low_rel: float = 0.04
    """How much less comes out of a sound compartment than it holds, having seeped or been filled to another eye; of what it
    holds. Seldom less than nothing: what stands above the lip runs out when it is opened. Common practice, no source."""
    arrival_rel: float = 0.04
    """Standard uncertainty of that. Common practice, no source."""
    usual_stops: int = 5
    """Clean stops before a pump's usual flow is believed: a mean of fewer moves with each. Assumption."""
    usual_weight: float = 0.1
    """Of the newest stop in that mean: it forgets half in seven stops, so that a pump may wear. Assumption."""
    usual_least_rel: float = 0.12
    """Of the usual flow: a smaller departure is not told, however little the flow scattered. Assumption."""
    usual_times: float = 4.0
    """Standard deviations of the usual flow within which it is usual: of normal scatter, one fill in 16,000 is told."""
    bends_back: float = 0.5
    """Of the slope. A pan's line that bends by this share at full scale would fall again under more load: no cell does."""
    pan_full_kg: tuple[float, float] = (1.0, 500.0)
    """kg that a converter's full scale may stand for: below a litre of oil, or above what bars hold, the slope has another
    unit. Common practice, no source: pans stand on cells of 5 to 200 kg."""
    scale_slope_rel: float = 0.1
    """Of a serial scale's own resolution, that its slope may be off; a scale so wrong belongs to its maker. Assumption."""


LIMITS = Limits()
