"""Traces: edges at the ticks of the closed form, the counts of the card, the same replies."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator

import numpy as np
import pytest
from traced import JOINTS, POSE, SCENE, S, counted, led, levels, moves, slips

from dryrig.errors import TraceError
from dryrig.faults.inject import Injector
from dryrig.sim import profile as profiles
from dryrig.sim.rig import Rig
from dryrig.sim.step_pulses import pulse_ticks, step_pulses
from dryrig.sim.trace import Trace


@pytest.fixture
def rig() -> Iterator[Rig]:
    with Rig(SCENE, 5, start_pose_deg=POSE) as made:
        yield made


@pytest.mark.parametrize("session", [moves, slips, led])
def test_traced_edges_count_as_the_card_does(session: Callable[..., None], rig: Rig) -> None:
    rig.trace.start()

    def go(until: int) -> None:
        rig.advance(until)
        assert [counted(rig, joint) for joint in JOINTS] == [
            rig.card.count(axis) for axis in JOINTS
        ]

    session(rig, go)
    assert max(abs(rig.card.count(axis)) for axis in JOINTS) > 200


@pytest.mark.parametrize(
    "fault",
    [
        "open@J1.ENC.A",
        "open@J1.ENC.0V",
        "swap@J2.ENC.A/J2.ENC.B",
        "dirt@J3.ENC,lines=40",
        "short@J4.ENC.A/J4.ENC.Z",
        "short@J4.ENC.A/J4.ENC.B",
        "resist@J5.ENC.B,ohm=1000000",
    ],
)
def test_broken_encoders_count_as_the_card_does(fault: str, rig: Rig) -> None:
    rig.trace.start()
    moves(rig, rig.advance, S)
    injector = Injector(rig)
    injector.insert(fault)
    rig.advance(2 * S + 12_345)
    assert [counted(rig, j) for j in JOINTS] == [rig.card.count(j) for j in JOINTS]
    injector.remove(fault)
    rig.advance(3 * S)
    assert [counted(rig, j) for j in JOINTS] == [rig.card.count(j) for j in JOINTS]


def test_open_channels_flip_by_themselves(rig: Rig) -> None:
    rig.trace.start()
    for joint in JOINTS:
        Injector(rig).insert(f"open@J{joint + 1}.ENC.A")
        Injector(rig).insert(f"open@J{joint + 1}.ENC.B")
    rig.advance(6 * S)
    assert [counted(rig, j) for j in JOINTS] == [rig.card.count(j) for j in JOINTS]
    assert rig.trace.edges > 100


def test_edges_of_a_locked_stretch_lie_where_the_closed_form_passes(rig: Rig) -> None:
    rig.trace.start()
    moves(rig, rig.advance)
    traced = []
    for joint in (0, 3, 5):
        ticks = [tick for tick, _, _ in levels(rig, joint)]
        for before, tick in list(itertools.pairwise(ticks))[::13]:
            if before > S // 2 + 1000:  # the rotors have been pulled into their wells
                # Where the closed form jumps, one edge follows the other.
                traced.append((tick, joint, tick - before < 15))
    traced.sort()
    assert len(traced) > 300
    worst = 0.0
    with Rig(SCENE, 5, start_pose_deg=POSE) as again:

        def quarters(tick: int, joint: int) -> float:
            again.advance(tick)
            assert not again.motion.engine
            shaft = again.motion.places(tick)[1][joint]
            turns = again.motion.motor_rad(joint, shaft) / (2 * math.pi)
            return turns * SCENE.joint[joint].encoder.counts + again.individual.encoder_phase[joint]

        def watch(until: int) -> None:
            nonlocal worst
            while traced and traced[0][0] <= until:
                tick, joint, jumped = traced.pop(0)
                low, high = sorted(
                    quarters(each, joint) for each in (tick - 1 - 100 * jumped, tick)
                )
                if math.floor(low) == math.floor(high):  # passed a moment earlier or later
                    worst = max(worst, min(low - math.floor(low), math.ceil(high) - high))
            again.advance(until)

        moves(again, watch)
    assert not traced
    assert worst < 0.03  # of a quarter cycle


def test_no_two_edges_of_a_sound_encoder_coincide(rig: Rig) -> None:
    rig.trace.start()
    moves(rig, rig.advance)
    for joint in JOINTS:
        found = levels(rig, joint)
        assert all(a == c or b == d for (_, a, b), (_, c, d) in itertools.pairwise(found))
        gaps = np.diff([tick for tick, _, _ in found])
        assert gaps.min() >= 12  # 1 us


PROFILES = [
    profiles.move(7, 1, 1000.0, 10_000.0),
    profiles.move(1_000_000, 999, 1000.0, 10_000.0),
    profiles.move(5, 50, 1e5, 1e4),
    profiles.move(3, 5000, 200_000.0, 5e6),
    profiles.stop(profiles.run(11, 3000.0, 20_000.0), 4_000_000, 9_000.0),
]


@pytest.mark.parametrize("profile", PROFILES)
def test_pulses_are_given_at_the_first_tick_of_their_step(profile: profiles.Profile) -> None:
    first, last = profile.pulses(profile.start), profile.pulses(profile.end)
    found = pulse_ticks(profile, first, last)
    assert len(found) == last - first
    for number, tick in enumerate(found.tolist(), start=first + 1):
        assert profile.pulses(tick + 1) >= number > profile.pulses(tick - 1)


def test_pulses_of_a_run_that_is_cut_short() -> None:
    run = profiles.run(100, 4000.0, 20_000.0)
    halt = profiles.stop(run, 6_000_001, 30_000.0)
    again = profiles.move(halt.end + 50, 10, 500.0, 5000.0)
    phases = [(0, None), (100, run), (6_000_001, halt), (halt.end, None), (again.start, again)]
    ticks, edges = step_pulses(phases, again.end + 1000, width=60)
    assert edges.tolist() == [1, 0] * (halt.pulses(halt.end) + 10)
    assert np.diff(ticks).min() > 0
    assert (ticks[1::2] - ticks[::2] == 60).all()


def test_fast_pulses_are_half_as_wide_as_their_period() -> None:
    fast = profiles.move(0, 20_000, 200_000.0, 5e6)
    ticks, _ = step_pulses([(0, fast)], fast.end, width=60)
    assert (ticks[1::2] - ticks[::2]).min() == 30
    assert len(ticks) == 40_000


def test_step_and_direction_follow_the_card(rig: Rig) -> None:
    rig.trace.start()
    moves(rig, rig.advance)
    for axis in JOINTS:
        step = rig.trace.signals().wave(f"J{axis + 1}.STEP")
        direction = rig.trace.signals().wave(f"J{axis + 1}.DIR")
        rises = step.ticks[step.values == 1]
        signs = direction.values[np.searchsorted(direction.ticks, rises, side="right") - 1]
        assert int((2 * signs - 1).sum()) == rig.card.steps(axis)


def test_the_switch_edge_is_the_latched_one(rig: Rig) -> None:
    rig.trace.start()
    moves(rig, rig.advance)
    latch = rig.card.latch(5)
    switch = rig.trace.signals().wave("J6.SW")
    assert latch.hit
    assert (int(switch.ticks[1]), int(switch.values[1])) == (latch.tick, 1)


@pytest.mark.parametrize("session", [moves, slips, led])
def test_the_digest_does_not_depend_on_how_time_is_cut(session: Callable[..., None]) -> None:
    digests = []
    for piece in (S * 10, 7_001, 99_990):
        with Rig(SCENE, 5, start_pose_deg=POSE) as rig:

            def go(until: int, rig: Rig = rig, piece: int = piece) -> None:
                while rig.now < until:
                    rig.advance(min(rig.now + piece, until))

            rig.trace.start()
            session(rig, go)
            digests.append((rig.trace.edges, rig.trace.digest()))
    assert digests[0][0] > 500
    assert len(set(digests)) == 1


@pytest.mark.parametrize("session", [moves, slips, led])
def test_the_rig_does_the_same_with_the_trace_on(session: Callable[..., None]) -> None:
    seen = []
    for traced in (False, True):
        with Rig(SCENE, 5, start_pose_deg=POSE) as rig:
            states: list[object] = []

            def go(until: int, rig: Rig = rig, states: list[object] = states) -> None:
                while rig.now < until:
                    rig.run_until(lambda: False, min(until, rig.now + S // 7))
                    states.append((rig.truth_deg(), [rig.card.count(axis) for axis in JOINTS]))
                    states.append([rig.card.latch(axis) for axis in JOINTS])
                    if rig.trace.on:
                        rig.trace.digest()

            if traced:
                rig.trace.start()
            session(rig, go)
            states.append(rig.meter.volts("CARD.J5.SW.COM", "RAIL.0V"))
            seen.append(states)
    assert seen[0] == seen[1]


def test_off_stop_and_start_anew(rig: Rig) -> None:
    trace = rig.trace
    assert (trace.on, trace.edges) == (False, 0)
    with pytest.raises(TraceError, match=r"^no trace yet: start one first"):
        trace.waves()
    trace.stop()
    trace.start()
    moves(rig, rig.advance, S)
    trace.stop()
    held = trace.edges, trace.digest()
    rig.advance(5 * S)
    trace.stop()
    assert (trace.edges, trace.digest()) == held
    assert held[0] > 1000
    trace.start()
    assert trace.edges == 0
    assert trace.digest() != held[1]


def test_a_trace_started_in_mid_motion(rig: Rig) -> None:
    moves(rig, rig.advance, S - 777)
    counts = [rig.card.count(axis) for axis in JOINTS]
    steps = [rig.card.steps(axis) for axis in JOINTS]
    rig.trace.start()
    rig.advance(2 * S)
    assert [counted(rig, j) for j in JOINTS] == [rig.card.count(j) - counts[j] for j in JOINTS]
    rises = [rig.trace.signals().wave(f"J{j + 1}.STEP").edges // 2 for j in JOINTS]
    assert rises == [abs(rig.card.steps(j) - steps[j]) for j in JOINTS]


def test_a_rig_that_never_traces_keeps_nothing(rig: Rig) -> None:
    moves(rig, rig.advance)
    assert isinstance(rig.trace, Trace)
    assert vars(rig.trace)["_kept"] is None
