"""The Theil-Sen slope: the median of the slopes between every two points, and Sen's interval for it.

Sources: H. Theil, Proc. Kon. Ned. Akad. Wet. A 53 (1950) 386; P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379.
"""

from collections.abc import Sequence
from itertools import combinations
from math import sqrt
from statistics import NormalDist


def pair_slopes(times: Sequence[float], values: Sequence[float]) -> list[float]:
    """Return the slopes between all pairs of points with different times, ascending."""
    pairs = combinations(zip(times, values, strict=True), 2)
    return sorted((v2 - v1) / (t2 - t1) for (t1, v1), (t2, v2) in pairs if t1 != t2)


def sen_interval(slopes: Sequence[float], variance: float, confidence: float) -> tuple[float, float]:
    """Return ``(low, high)``, the interval of the median of ``slopes`` with ``confidence`` (0 to 1).

    ``slopes`` are ascending and not empty; ``variance`` is the variance of Kendall's S. The bounds are the slopes of
    ranks (N - C)/2 and (N + C)/2 + 1 of N, where C = z·√variance. Without ties and for 5 to 40 points at 95 % these are
    the ranks of the exact distribution of S, or one further out.
    """
    count = len(slopes)
    reach = -NormalDist().inv_cdf((1 - confidence) / 2) * sqrt(variance)
    upper = min(round((count + reach) / 2), count - 1)  # counted from 0
    lower = max(round((count - reach) / 2) - 1, 0)
    return slopes[lower], slopes[upper]
