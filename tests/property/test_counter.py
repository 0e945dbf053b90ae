"""The counter takes whole cycles at once exactly as it would take them edge by edge."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from dryrig.sim.encoder import Counter, x4

levels = st.tuples(st.integers(0, 2), st.integers(0, 2))
tables = st.lists(levels, min_size=4, max_size=4)
walks = st.lists(st.integers(-500, 500), min_size=1, max_size=8)


@given(table=tables, walk=walks)
def test_whole_cycles_equal_single_edges(table: list[tuple[int, int]], walk: list[int]) -> None:
    fast, slow = Counter(0, 0), Counter(0, 0)
    for counter in (fast, slow):
        counter.fit((0,), {(state,): table[state] for state in range(4)}, [0])
    position = 0
    for distance in walk:
        position += distance
        seen = fast.count_at([position])
        fast.turn_to([position])
        slow.turn_to([position], lambda fraction, channel, level: None)
        assert seen == fast.count == slow.count
        assert fast.levels == slow.levels


@given(walk=walks)
def test_a_sound_disc_counts_its_quarter_cycles(walk: list[int]) -> None:
    counter, position = Counter(0, 7), 7
    for distance in walk:
        position += distance
        counter.turn_to([position])
    assert counter.count == position - 7


@given(walk=walks, level=st.integers(0, 1))
def test_a_stuck_channel_stays_within_one_count(walk: list[int], level: int) -> None:
    """Common practice, no published source: A open, the count is stuck within one."""
    counter, position = Counter(0, 0), 0
    sound = [(0, 0), (1, 0), (1, 1), (0, 1)]
    counter.fit((0,), {(state,): (level, sound[state][1]) for state in range(4)}, [0])
    start = counter.count
    for distance in walk:
        position += distance
        counter.turn_to([position])
        assert abs(counter.count - start) <= 1


@given(st.tuples(st.integers(0, 1), st.integers(0, 1)))
def test_both_channels_at_once_count_nothing(before: tuple[int, int]) -> None:
    assert x4(before, (1 - before[0], 1 - before[1])) == 0
