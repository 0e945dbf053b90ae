"""Formulae of ISO 230-2 and ISO 9283 against figures somebody else worked out.

ISO 230-2: the test report in paulscherrerinstitute/ecmccfg, examples/mcu1025_fat_sat/report.md
(raw data and results of a 5-point test, 5 cycles each way). Its E is that of the forward approach
alone; the standard's, over both, is computed from its own rows here. ISO 9283: no published example
was found; by hand, points (+-3, 0, 0), (0, +-4, 0).
"""

from __future__ import annotations

import math

import pytest

from dryrig.commission.repeatability import (
    angle_repeatability,
    axis_test,
    pose_accuracy,
    pose_repeatability,
    spread_words,
)

TARGETS = (15.0, 25.2, 35.4, 45.6, 55.8)
FORWARD = (
    (15.0033, 15.00452, 15.00085, 15.0033, 15.00595),
    (25.19933, 25.19913, 25.19933, 25.20015, 25.20117),
    (35.38477, 35.38762, 35.38395, 35.3864, 35.3866),
    (45.59182, 45.58978, 45.59263, 45.59263, 45.5908),
    (55.83882, 55.84025, 55.83964, 55.84086, 55.84005),
)
BACKWARD = (
    (15.10035, 14.9721, 14.9721, 14.96966, 14.97251),
    (25.27803, 25.2132, 25.21259, 25.21748, 25.21422),
    (35.39639, 35.38803, 35.38926, 35.39252, 35.3915),
    (45.57387, 45.57041, 45.5649, 45.56939, 45.57061),
    (55.79315, 55.79499, 55.79132, 55.79193, 55.7958),
)
PRINTED = 1.5e-5  # the last digit, and the digits the raw data lack, four times


def deviations(rows: tuple[tuple[float, ...], ...]) -> list[list[float]]:
    return [[p - target for p in row] for target, row in zip(TARGETS, rows, strict=True)]


def test_iso_230_2_against_a_published_report() -> None:
    found = axis_test(deviations(FORWARD), deviations(BACKWARD))
    assert found.reversal == pytest.approx(
        (0.00624, -0.02728, -0.00567, 0.02169, 0.04649), abs=PRINTED
    )
    assert found.forward == pytest.approx(
        (0.00751, 0.00339, 0.00593, 0.00495, 0.00303), abs=PRINTED
    )
    assert found.backward == pytest.approx(
        (0.23036, 0.11413, 0.01296, 0.01293, 0.00771), abs=PRINTED
    )
    assert found.both == pytest.approx((0.23036, 0.11413, 0.01511, 0.03063, 0.05185), abs=PRINTED)
    assert found.reversal_value == pytest.approx(0.04649, abs=PRINTED)
    assert found.repeatability == pytest.approx(0.23036, abs=PRINTED)
    assert found.accuracy == pytest.approx(0.23036, abs=PRINTED)
    assert found.mean_range == pytest.approx(0.036, abs=PRINTED)
    # From the report's own mean rows: 0.03993 forward at the last target, -0.03016 backward at
    # the fourth.
    assert found.systematic == pytest.approx(0.03993 + 0.03016, abs=PRINTED)


def test_iso_9283_by_hand() -> None:
    points = [(3.0, 0.0, 0.0), (-3.0, 0.0, 0.0), (0.0, 4.0, 0.0), (0.0, -4.0, 0.0)]
    # Distances 3, 3, 4, 4: mean 3.5, S = sqrt(4 x 0.25 / 3) = 0.577350.
    assert pose_repeatability(points) == pytest.approx(3.5 + 3 * math.sqrt(1 / 3), abs=1e-12)
    assert pose_repeatability(points) == pytest.approx(5.232051, abs=1e-6)
    assert pose_accuracy(points, (0.0, 3.0, 4.0)) == 5.0
    assert angle_repeatability([1.0, 2.0, 3.0]) == 3.0


def test_a_spread_in_words() -> None:
    assert spread_words([0.0, 0.02], "deg") == "2 homings within 0.020 deg"
    # Distances from the mean 0.01: 0.01, 0, 0.01; mean 0.00667, S 0.00577.
    assert spread_words([0.0, 0.01, 0.02], "deg") == (
        "3 homings within 0.020 deg, RP 0.024 deg (ISO 9283)"
    )
