"""The ordinary least-squares line and the prediction interval of a further point.

Sources: any textbook of regression; Student's t for whole degrees of freedom from Abramowitz and Stegun, 26.7.3 and
26.7.4 (from memory, checked against scipy in the tests).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import cos, pi, sin, sqrt, tan
from statistics import fmean


@dataclass(frozen=True, slots=True)
class FittedLine:
    """A fitted line through ``point_count`` points.

    ``mean_time`` and ``sum_of_squares`` (Σ(t - mean)²) describe the times of the points. ``residual_deviation`` is the
    standard deviation of the points about the line, with n-2 degrees of freedom.
    """

    slope: float
    intercept: float
    point_count: int
    mean_time: float
    sum_of_squares: float
    residual_deviation: float

    def predict(self, time: float, coverage_probability: float) -> tuple[float, float]:
        """Return ``(value, half_width)``: the interval that holds a further point at ``time``.

        It holds the point with ``coverage_probability`` (0 to 1).
        """
        leverage = (time - self.mean_time) ** 2 / self.sum_of_squares
        half_width = (
            student_quantile(coverage_probability, self.point_count - 2)
            * self.residual_deviation
            * sqrt(1 + 1 / self.point_count + leverage)
        )
        return self.intercept + self.slope * time, half_width


def fit_line(times: Sequence[float], values: Sequence[float]) -> FittedLine:
    """Return the line through at least three points with at least two different times."""
    mean_time, mean_value = fmean(times), fmean(values)
    sum_of_squares = sum((time - mean_time) ** 2 for time in times)
    points = list(zip(times, values, strict=True))
    slope = sum((time - mean_time) * (value - mean_value) for time, value in points) / sum_of_squares
    intercept = mean_value - slope * mean_time
    residual_squares = sum((value - intercept - slope * time) ** 2 for time, value in points)
    deviation = sqrt(residual_squares / (len(points) - 2))
    return FittedLine(slope, intercept, len(points), mean_time, sum_of_squares, deviation)


@lru_cache(256)  # the same few numbers of visits again and again, 50 steps each
def student_quantile(coverage_probability: float, degrees_of_freedom: int) -> float:
    """Return the t whose interval ± t holds ``coverage_probability`` (0 to 1) of Student's distribution.

    ``degrees_of_freedom`` is 1 or more.
    """
    low, high = 0.0, pi / 2
    angle = pi / 4
    while low < angle < high:  # bisection down to neighbouring floats
        if _student_coverage(angle, degrees_of_freedom) < coverage_probability:
            low = angle
        else:
            high = angle
        angle = (low + high) / 2
    return sqrt(degrees_of_freedom) * tan(angle)


def _student_coverage(angle: float, degrees_of_freedom: int) -> float:
    """Return the share of the distribution within ± √degrees_of_freedom·tan(angle)."""
    sine, cosine = sin(angle), cos(angle)
    odd = degrees_of_freedom % 2
    term = cosine if odd else 1.0
    total = term if degrees_of_freedom > 1 else 0.0
    for k in range(2 + odd, degrees_of_freedom - 1, 2):
        term *= cosine * cosine * (k - 1) / k
        total += term
    return 2 / pi * (angle + sine * total) if odd else sine * total
