"""The counter takes whole cycles at once exactly as it would take them edge by edge."""

from __future__ import annotations

import itertools

from hypothesis import given
from hypothesis import strategies as st

from dryrig.sim.disc import STATES, TWO_PI, Disc
from dryrig.sim.encoder import Counter, Pins, x4

levels = st.tuples(st.integers(0, 2), st.integers(0, 2), st.integers(0, 2))
tables = st.lists(levels, min_size=STATES, max_size=STATES)
walks = st.lists(st.integers(-500, 500), min_size=1, max_size=8)
discs = st.builds(
    Disc,
    st.integers(4, 60).map(lambda lines: 4 * lines),
    st.floats(0, 4, exclude_max=True),
    st.integers(0, 15),
    st.integers(0, 12),
)


@given(table=tables, disc=discs, walk=walks)
def test_whole_cycles_equal_single_edges(table: list[Pins], disc: Disc, walk: list[int]) -> None:
    fast, slow = Counter(0, 0), Counter(0, 0)
    for counter in (fast, slow):
        rows = {(state,): pins for state, pins in enumerate(table)}
        counter.fit((0,), rows, [0], [disc])
    position = 0
    for distance in walk:
        position += distance
        seen = fast.count_at([position])
        fast.turn_to([position])
        slow.turn_to([position], lambda fraction, channel, level: None)
        assert seen == fast.count == slow.count
        assert fast.levels == slow.levels
        assert fast.index_level == slow.index_level


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
    counter.fit((0,), {(state,): (level, sound[state][1], 0) for state in range(4)}, [0])
    start = counter.count
    for distance in walk:
        position += distance
        counter.turn_to([position])
        assert abs(counter.count - start) <= 1


@given(st.tuples(st.integers(0, 1), st.integers(0, 1)))
def test_both_channels_at_once_count_nothing(before: tuple[int, int]) -> None:
    assert x4(before, (1 - before[0], 1 - before[1])) == 0


@given(disc=discs, place=st.integers(-2000, 2000))
def test_a_disc_shows_its_quarter_cycles_in_order(disc: Disc, place: int) -> None:
    """A neighbour's number differs by one, or not at all over missing lines; A and B agree."""
    here, after = disc.shown(place), disc.shown(place + 1)
    assert after - here in ({0, 1} if disc.missing else {1})
    assert disc.shown(place + disc.counts) - here == disc.per_turn == disc.counts - disc.missing
    if after != here:
        assert after % 4 == (place + 1) % 4


@given(disc=discs, quarter=st.integers(-2000, 2000), sense=st.sampled_from([-1, 1]))
def test_a_quarter_cycle_is_entered_where_the_disc_says(
    disc: Disc, quarter: int, sense: int
) -> None:
    entry = disc.entry_rad(quarter, sense)
    just_before = entry - sense * 1e-6 / disc.counts * TWO_PI
    assert disc.quarter(entry) == quarter
    assert disc.quarter(just_before) == quarter - sense


@given(disc=discs, start=st.floats(-300, 300), way=st.floats(-300, 300))
def test_what_is_passed_ends_where_the_disc_is(disc: Disc, start: float, way: float) -> None:
    passed = disc.passed(start, start + way, 0.0)
    shares = [share for share, _ in passed]
    assert shares == sorted(shares)
    walked = [disc.shown(int(start // 1)), *(quarter for _, quarter in passed)]
    assert walked[-1] == disc.shown(int((start + way) // 1))
    assert {after - before for before, after in itertools.pairwise(walked)} <= (
        {1} if way > 0 else {-1}
    )
