"""X4 decoding against a published sign table.

Source: the X4 table in a Zetechtics encoder manual: the eight single edges and their signs, and
"both channels at once" marked illegal. A leading B counts up, as in figures 7-15 to 7-17 of
National Instruments' M-series manual.
"""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dryrig.sim.encoder import HOLD, Counter, x4

# (edge, level of the other channel) -> count, as printed.
PUBLISHED = {
    ("A up", "B 0"): +1,
    ("B up", "A 1"): +1,
    ("A down", "B 1"): +1,
    ("B down", "A 0"): +1,
    ("B up", "A 0"): -1,
    ("A up", "B 1"): -1,
    ("B down", "A 1"): -1,
    ("A down", "B 0"): -1,
}
LEVELS = list(itertools.product((0, 1), repeat=2))


def by_the_table(before: tuple[int, int], after: tuple[int, int]) -> int:
    """One change of (A, B), looked up."""
    (a0, b0), (a1, b1) = before, after
    if a0 != a1 and b0 != b1:
        return 0  # illegal: a counter cannot know the way
    if a0 != a1:
        return PUBLISHED["A up" if a1 else "A down", f"B {b0}"]
    if b0 != b1:
        return PUBLISHED["B up" if b1 else "B down", f"A {a0}"]
    return 0


@pytest.mark.parametrize(("before", "after"), list(itertools.product(LEVELS, LEVELS)))
def test_every_change_counts_as_printed(before: tuple[int, int], after: tuple[int, int]) -> None:
    assert x4(before, after) == by_the_table(before, after)


def sound_counter(position: int) -> Counter:
    """A counter fed by a sound encoder: contact state 0..3 is (A, B) = 00, 10, 11, 01."""
    return Counter(0, position)


def test_a_leading_b_counts_up_four_a_cycle() -> None:
    counter = sound_counter(0)
    counter.turn_to([4000])
    assert counter.count == 4000
    counter.turn_to([-4000])
    assert counter.count == -4000


def test_the_edges_it_tells_make_the_count_by_the_table() -> None:
    counter = sound_counter(0)
    levels, decoded = [0, 0], 0

    def on_edge(fraction: float, channel: int, level: int) -> None:
        nonlocal decoded
        before = (levels[0], levels[1])
        levels[channel] = level
        decoded += by_the_table(before, (levels[0], levels[1]))

    for target in (37, 12, 13, -101):
        counter.turn_to([target], on_edge)
        assert decoded == counter.count == target


# What the two pins do in each of the four contact states: low, high, or keep what they were.
PIN = st.sampled_from([0, 1, HOLD])
TABLES = st.lists(st.tuples(PIN, PIN), min_size=4, max_size=4)


@given(
    table=TABLES,
    start=st.integers(-9, 9),
    turns=st.lists(st.integers(-300, 300), min_size=1, max_size=6),
)
def test_any_wiring_counts_what_the_table_makes_of_its_edges(
    table: list[tuple[int, int]], start: int, turns: list[int]
) -> None:
    counter = sound_counter(start)
    levels, expected = counter.levels, 0

    def follow(state: int) -> None:
        nonlocal levels, expected
        a, b = table[state % 4]
        after = (levels[0] if a == HOLD else a, levels[1] if b == HOLD else b)
        expected += by_the_table(levels, after)
        levels = after

    counter.fit((0,), {(state,): (*pins, 0) for state, pins in enumerate(table)}, [start])
    follow(start)
    position = start
    for turn in turns:
        step = 1 if turn > 0 else -1
        for _ in range(abs(turn)):
            position += step
            follow(position)
        counter.turn_to([position])
        assert (counter.count, counter.levels) == (expected, levels)
