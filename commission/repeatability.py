"""Repeatability by the formulae of two standards.

ISO 9283 (manipulating industrial robots, performance): pose repeatability RP = mean + 3 S of the
distances from the barycentre. ISO 230-2 (test code for machine tools): one axis, approached from
both sides (formulae from memory; the test holds them against a published report).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, stdev

import numpy as np

Points = Sequence[Sequence[float]]


def pose_repeatability(points: Points) -> float:
    """RP_l of ISO 9283, in the unit of `points` (shape (n, 1) to (n, 3), n of 2 or more)."""
    attained = np.asarray(points, dtype=float)
    distances = np.linalg.norm(attained - attained.mean(axis=0), axis=1)
    return float(distances.mean() + 3.0 * distances.std(ddof=1))


def pose_accuracy(points: Points, command: Sequence[float]) -> float:
    """AP_P of ISO 9283: the barycentre's distance from the pose that was commanded."""
    barycentre = np.asarray(points, dtype=float).mean(axis=0)
    return float(np.linalg.norm(barycentre - np.asarray(command, dtype=float)))


def angle_repeatability(angles: Sequence[float]) -> float:
    """RP_a of ISO 9283, the half width 3 S of one angle, in its unit (2 angles or more)."""
    return 3.0 * stdev(angles)


@dataclass(frozen=True)
class AxisTest:
    """What ISO 230-2 makes of one axis; all in the unit of the deviations.

    Per target, shape (m,): `reversal` B_i, `forward` R_i up, `backward` R_i down, `both` R_i.
    Of the axis: `reversal_value` B, `repeatability` R, `accuracy` A, `systematic` E, `mean_range`
    M.
    """

    reversal: tuple[float, ...]
    forward: tuple[float, ...]
    backward: tuple[float, ...]
    both: tuple[float, ...]
    reversal_value: float
    repeatability: float
    accuracy: float
    systematic: float
    mean_range: float


def axis_test(forward: Points, backward: Points) -> AxisTest:
    """ISO 230-2 for deviations from the targets, shape (m, n): m targets, n approaches each way."""
    ups, downs = [fmean(row) for row in forward], [fmean(row) for row in backward]
    up_s, down_s = [stdev(row) for row in forward], [stdev(row) for row in backward]
    reversal = [up - down for up, down in zip(ups, downs, strict=True)]
    one_way = [4.0 * s for s in up_s], [4.0 * s for s in down_s]
    both = [
        max(2.0 * s_up + 2.0 * s_down + abs(turn), 4.0 * s_up, 4.0 * s_down)
        for s_up, s_down, turn in zip(up_s, down_s, reversal, strict=True)
    ]
    spans = [
        (mean - 2.0 * s, mean + 2.0 * s)
        for mean, s in zip([*ups, *downs], [*up_s, *down_s], strict=True)
    ]
    means = [(up + down) / 2.0 for up, down in zip(ups, downs, strict=True)]
    return AxisTest(
        tuple(reversal),
        tuple(one_way[0]),
        tuple(one_way[1]),
        tuple(both),
        max(map(abs, reversal)),
        max(both),
        max(high for _, high in spans) - min(low for low, _ in spans),
        max(*ups, *downs) - min(*ups, *downs),
        max(means) - min(means),
    )


def spread_words(values: Sequence[float], unit: str) -> str:
    """How far homings lie apart, with RP of ISO 9283 from three of them on."""
    width = max(values) - min(values)
    words = f"{len(values)} homings within {width:.3f} {unit}"
    if len(values) < 3 or math.isclose(width, 0.0):
        return words
    return f"{words}, RP {pose_repeatability([[value] for value in values]):.3f} {unit} (ISO 9283)"
