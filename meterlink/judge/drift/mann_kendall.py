"""The Mann-Kendall test for a trend: Kendall's S between time and value.

Sources: H. B. Mann, Econometrica 13 (1945) 245; M. G. Kendall, Rank Correlation Methods (1975), for the variance with
ties in both and for the exact distribution. From memory, checked against scipy in the tests.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from math import sqrt
from statistics import NormalDist

MAX_EXACT_VALUES = 40  # above, the normal approximation is within 0.003 of the exact probability


@dataclass(frozen=True, slots=True)
class MannKendallResult:
    """S, tau-b (None where all times or all values are equal), two-sided p, and whether p is exact."""

    s: int
    tau: float | None
    p_value: float
    exact: bool


def mann_kendall_test(times: Sequence[float], values: Sequence[float]) -> MannKendallResult:
    """Test ``values`` for a trend over ``times``.

    p is exact where all times and all values differ and there are at most `MAX_EXACT_VALUES`. Otherwise it is the
    normal approximation, corrected for ties and continuity.
    """
    s = kendall_s(times, values)
    pairs = len(values) * (len(values) - 1) / 2
    untied = [pairs - sum(t * (t - 1) / 2 for t in _tie_sizes(numbers)) for numbers in (times, values)]
    tau = s / sqrt(untied[0] * untied[1]) if all(untied) else None
    exact = len(values) <= MAX_EXACT_VALUES and all(len(set(numbers)) == len(numbers) for numbers in (times, values))
    return MannKendallResult(
        s, tau, exact_p_value(s, len(values)) if exact else normal_p_value(s, kendall_s_variance(times, values)), exact
    )


def kendall_s(times: Sequence[float], values: Sequence[float]) -> int:
    """Return Kendall's S: rising pairs minus falling pairs; a pair equal in time or value counts as neither."""
    pairs = combinations(zip(times, values, strict=True), 2)
    return sum(_sign(t2 - t1) * _sign(v2 - v1) for (t1, v1), (t2, v2) in pairs)


def kendall_s_variance(times: Sequence[float], values: Sequence[float]) -> float:
    """Return the variance of S without a trend, with ties in times and in values (Kendall 1975)."""
    n = len(values)
    in_times, in_values = _tie_sizes(times), _tie_sizes(values)
    variance = n * (n - 1) * (2 * n + 5) / 18
    variance -= sum(t * (t - 1) * (2 * t + 5) for t in (*in_times, *in_values)) / 18
    if in_times and in_values:
        twos, threes = 1, 1
        for ties in (in_times, in_values):
            twos *= sum(t * (t - 1) for t in ties)
            threes *= sum(t * (t - 1) * (t - 2) for t in ties)
        variance += twos / (2 * n * (n - 1))
        variance += threes / (9 * n * (n - 1) * (n - 2)) if n > 2 else 0
    return max(variance, 0.0)  # rounding may leave it just below 0 where all are tied


def normal_p_value(s: int, variance: float) -> float:
    """Return the two-sided p of S by the normal approximation, corrected for continuity."""
    if s == 0 or variance <= 0:
        return 1.0
    return 2 * NormalDist().cdf(-(abs(s) - 1) / sqrt(variance))


def exact_p_value(s: int, n: int) -> float:
    """Return the two-sided p of S among ``n`` values without ties, where every order is equally likely."""
    orders = _orders_by_falling_pairs(n)
    tail = sum(orders[: (n * (n - 1) // 2 - abs(s)) // 2 + 1])
    return min(1.0, 2 * tail / sum(orders))


@lru_cache(MAX_EXACT_VALUES + 1)
def _orders_by_falling_pairs(n: int) -> tuple[int, ...]:
    """Return the number of orders of ``n`` values with no falling pair, with one, and so on."""
    # orders[k] counts the orders with k falling pairs; each step adds one value.
    orders = [1]
    for size in range(1, n):
        next_orders = [0] * (len(orders) + size)
        for falling, count in enumerate(orders):
            for added in range(size + 1):
                next_orders[falling + added] += count
        orders = next_orders
    return tuple(orders)


def _tie_sizes(numbers: Sequence[float]) -> list[int]:
    return [count for count in Counter(numbers).values() if count > 1]


def _sign(number: float) -> int:
    return (number > 0) - (number < 0)
