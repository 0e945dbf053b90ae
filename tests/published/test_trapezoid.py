"""Times and distances of a trapezoidal rate profile against the closed form.

Sources: distance of a ramp S = (v^2 - v0^2) / 2a, as printed by hwml.com for stepping motors;
duration t = D/v + v/a where D >= v^2/a, else 2 sqrt(D/a) with peak rate sqrt(aD): any mechanics
text (value from memory). The clock counts 12 MHz ticks, and an end falls on the first tick not
before it.
"""

from __future__ import annotations

import math

import pytest

from dryrig.sim import profile
from dryrig.sim.clock import TICKS_PER_S

START = 1_234_567

CASES = [
    # steps, steps/s, steps/s2
    (6400, 3200.0, 6400.0),  # 2 s at rate + 0.5 s
    (1600, 3200.0, 6400.0),  # exactly a triangle: D = v^2 / a
    (1599, 3200.0, 6400.0),  # just too short to reach the rate
    (1, 200_000.0, 5e6),
    (1, 1.0, 1.0),
    (3_000_000, 199_999.5, 4_999_999.0),
    (977, 123.4, 77.7),
]


def duration_s(steps: int, rate: float, acceleration: float) -> float:
    """The closed form."""
    if steps >= rate**2 / acceleration:
        return steps / rate + rate / acceleration
    return 2 * math.sqrt(steps / acceleration)


@pytest.mark.parametrize(("steps", "rate", "acceleration"), CASES)
def test_a_move_lasts_as_long_as_the_closed_form_says(
    steps: int, rate: float, acceleration: float
) -> None:
    move = profile.move(START, steps, rate, acceleration)
    exact_ticks = duration_s(steps, rate, acceleration) * TICKS_PER_S
    assert -1e-3 <= move.end - START - exact_ticks <= 1.001
    assert move.at(move.end) == (steps, 0.0, 0.0)


@pytest.mark.parametrize(("steps", "rate", "acceleration"), CASES)
def test_a_move_peaks_where_the_closed_form_says(
    steps: int, rate: float, acceleration: float
) -> None:
    move = profile.move(START, steps, rate, acceleration)
    middle = (START + move.end) // 2
    distance, peak, _ = move.at(middle)
    expected = min(rate, math.sqrt(acceleration * steps))
    # Half way in time is half way in distance, and no faster than the peak, to within one tick.
    assert distance == pytest.approx(steps / 2, abs=2 * expected / TICKS_PER_S)
    assert peak == pytest.approx(expected, abs=2 * acceleration / TICKS_PER_S)


def test_the_ramp_covers_its_published_distance() -> None:
    rate, acceleration = 3200.0, 6400.0
    run = profile.run(START, rate, acceleration)
    top = START + round(rate / acceleration * TICKS_PER_S)
    assert run.at(top)[0] == pytest.approx(rate**2 / (2 * acceleration), abs=1e-3)
    first, last = START + 1_000_000, START + 5_000_000
    d0, v0, _ = run.at(first)
    d1, v1, _ = run.at(last)
    assert d1 - d0 == pytest.approx((v1**2 - v0**2) / (2 * acceleration), rel=1e-9)


def test_steps_of_a_move_come_at_the_times_of_the_ramp() -> None:
    rate, acceleration = 3200.0, 6400.0
    move = profile.move(START, 6400, rate, acceleration)
    for n in (1, 2, 3, 10, 100, 799):
        due = START + math.sqrt(2 * n / acceleration) * TICKS_PER_S
        assert move.pulses(math.floor(due) - 1) == n - 1
        assert move.pulses(math.ceil(due) + 1) == n


def test_stopping_from_a_rate_takes_the_published_distance_rounded_up_to_a_step() -> None:
    rate, acceleration = 3200.0, 6400.0
    run = profile.run(START, rate, acceleration)
    tick = START + 2 * TICKS_PER_S
    distance, _, _ = run.at(tick)
    halt = profile.stop(run, tick, acceleration)
    brake = rate**2 / (2 * acceleration)
    assert halt.total == pytest.approx(math.ceil(distance + brake - 1e-6))
    # A uniform stop over that distance lasts 2 D / v.
    exact_ticks = 2 * (halt.total - distance) / rate * TICKS_PER_S
    assert halt.end - tick == pytest.approx(exact_ticks, abs=1.001)
