"""Traces: edges at the ticks of the closed form, the counts of the card, the same replies."""

from __future__ import annotations

import csv
import itertools
import math
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np
import pytest

from dryrig.errors import TraceError
from dryrig.faults.inject import Injector
from dryrig.scenes import load_scene
from dryrig.sim import profile as profiles
from dryrig.sim.clock import TICKS_PER_S
from dryrig.sim.encoder import x4
from dryrig.sim.rig import Rig
from dryrig.sim.step_pulses import pulse_ticks, step_pulses
from dryrig.sim.trace import Trace
from dryrig.sim.trace_plot import plot_trace, thinned
from dryrig.sim.trace_reading import read_trace
from dryrig.sim.vcd import leaf
from dryrig.sim.wave import Wave

SCENE = load_scene("heron")
POSE = [0, 60, -60, 0, 10, -150]
JOINTS = range(6)
S = TICKS_PER_S


@pytest.fixture
def rig() -> Iterator[Rig]:
    with Rig(SCENE, 5, start_pose_deg=POSE) as made:
        yield made


def moves(rig: Rig, go: Callable[[int], None], end: int = 6 * S) -> None:
    """A move of every joint, then J6 onto its switch, which halts it; `go` runs to a tick."""
    card = rig.card
    for axis in JOINTS:
        card.enable(axis, True)
    go(S // 2)
    for axis in JOINTS:
        card.set_rate(axis, 2500)
        card.move(axis, 2400 if axis % 2 else -2400)
    go(min(end, 3 * S))
    if end > 3 * S:
        card.arm_halt(5, "RISE")
        card.run(5, -1)
        go(end)


def slips(rig: Rig, go: Callable[[int], None]) -> None:
    """A shoulder too weak for its arm, without a stand: the engine steps."""
    Injector(rig).insert("weak@J2.MOTOR,current=0.2")
    rig.hands.set_stand(False)
    for axis in JOINTS:
        rig.card.enable(axis, True)
    go(S // 4)
    rig.card.move(1, 900)
    go(2 * S)


def led(rig: Rig, go: Callable[[int], None]) -> None:
    """Hands turn a joint and press a switch, with the motor supply off."""
    rig.hands.set_motor_supply(False)
    rig.hands.turn(3, 20.0)
    rig.hands.press(4)
    go(3 * S)
    rig.hands.turn(3, -7.0)
    go(5 * S)


def levels(rig: Rig, joint: int) -> list[tuple[int, int, int]]:
    """Ticks at which A or B changed, and both levels from then on."""
    a, b = (rig.trace.signals().wave(f"J{joint + 1}.ENC.{channel}") for channel in "AB")
    now = {"A": int(a.values[0]), "B": int(b.values[0])}
    found = [(int(a.ticks[0]), now["A"], now["B"])]
    changes = sorted(
        [(int(tick), "A", int(level)) for tick, level in zip(a.ticks, a.values, strict=True)][1:]
        + [(int(tick), "B", int(level)) for tick, level in zip(b.ticks, b.values, strict=True)][1:]
    )
    for tick, group in itertools.groupby(changes, key=lambda change: change[0]):
        now |= {channel: level for _, channel, level in group}
        found.append((tick, now["A"], now["B"]))
    return found


def counted(rig: Rig, joint: int) -> int:
    """X4 count of the traced pins."""
    pins = [(a, b) for _, a, b in levels(rig, joint)]
    return sum(x4(before, after) for before, after in itertools.pairwise(pins))


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


def test_signals_and_their_names(rig: Rig) -> None:
    rig.trace.start()
    moves(rig, rig.advance)
    names = rig.trace.signals().names
    assert len({leaf(name) for name in names}) == len(names)
    picked = rig.trace.waves(["J4.ENC.?", "RAIL.5V_V"])
    assert [wave.name for wave in picked] == [
        "J4.ENC.A",
        "J4.ENC.B",
        "J4.ENC.Z",
        "RAIL.5V_V",
    ]
    with pytest.raises(
        TraceError,
        match=r"^no signal 'J4\.ENC\.AA' in the trace: .* \(did you mean 'J4\.ENC\.A'\?\)$",
    ):
        rig.trace.waves(["J4.ENC.AA"])


def at(wave: Wave, tick: int) -> float:
    return float(wave.values[np.searchsorted(wave.ticks, tick, side="right") - 1])


def test_angles_torques_and_volts(rig: Rig) -> None:
    rig.trace.start()
    moves(rig, rig.advance)
    signals = rig.trace.signals()
    for joint in JOINTS:
        angle, shaft = (signals.wave(f"J{joint + 1}.{what}_DEG") for what in ("ANGLE", "SHAFT"))
        assert at(angle, rig.now) == pytest.approx(rig.truth_deg()[joint], abs=1e-9)
        motor = rig.motion.motor_rad(joint, rig.motion.shaft[joint])
        assert at(shaft, rig.now) == pytest.approx(math.degrees(motor), abs=1e-9)
    # Gravity pulls the level shoulder down, and nothing turns a vertical axis.
    assert at(signals.wave("J2.TORQUE_N_M"), rig.now) > 1.0
    assert abs(at(signals.wave("J1.TORQUE_N_M"), rig.now)) < 0.3
    switch, level = signals.wave("CARD.J6.SW.COM_V"), signals.wave("J6.SW")
    assert at(switch, rig.now) == pytest.approx(3.3 * at(level, rig.now), abs=0.1)
    assert set(np.round(switch.values).tolist()) == {0.0, 3.0}
    # An encoder's output goes up and down with its contacts.
    volts, pin = signals.wave("CARD.J1.ENC.A_V"), signals.wave("J1.ENC.A")
    for tick in (S, 3 * S // 2, 2 * S):
        assert at(volts, tick) == pytest.approx(5.0 * at(pin, tick), abs=0.2)


def test_another_ratio_on_the_way(rig: Rig) -> None:
    def session(rig: Rig, watch: Callable[[int], None]) -> None:
        moves(rig, watch, S)
        Injector(rig).insert("pulley@J1.GEAR,factor=0.5")
        watch(3 * S)

    rig.trace.start()
    session(rig, rig.advance)
    assert counted(rig, 0) == rig.card.count(0)
    wave = rig.trace.signals().wave("J1.SHAFT_DEG")
    chosen = [tick for tick in wave.ticks.tolist() if tick > S // 2 + 1][::3]
    assert len([tick for tick in chosen if tick > S]) > 20
    with Rig(SCENE, 5, start_pose_deg=POSE) as again:

        def check(until: int) -> None:
            while chosen and chosen[0] <= until:
                tick = chosen.pop(0)
                again.advance(tick)
                motor = again.motion.motor_rad(0, again.motion.places(tick)[1][0])
                assert at(wave, tick) == pytest.approx(math.degrees(motor), abs=0.05)
            again.advance(until)

        session(again, check)


def test_a_drive_without_supply_gives_no_torque(rig: Rig) -> None:
    rig.card.enable(1, True)
    rig.advance(S)
    rig.trace.start()
    rig.advance(2 * S)
    rig.hands.set_motor_supply(False)
    rig.advance(3 * S)
    torque = rig.trace.signals().wave("J2.TORQUE_N_M")
    assert at(torque, S) == at(torque, 2 * S - 1) > 1.0
    assert at(torque, 3 * S) == 0.0


def test_an_angle_is_sampled_along_its_parabola(rig: Rig) -> None:
    rig.trace.start()
    moves(rig, rig.advance, 3 * S // 2)
    wave = rig.trace.signals().wave("J1.ANGLE_DEG")
    chosen = [tick for tick in wave.ticks.tolist() if tick > S // 2 + 1][::5]
    with Rig(SCENE, 5, start_pose_deg=POSE) as again:

        def check(until: int) -> None:
            while chosen and chosen[0] <= until:
                tick = chosen.pop(0)
                again.advance(tick)
                assert again.truth_deg()[0] == pytest.approx(at(wave, tick), abs=1e-3)
            again.advance(until)

        moves(again, check, 3 * S // 2)
    assert not chosen


@pytest.mark.parametrize("suffix", ["vcd", "csv"])
def test_written_and_read_back(suffix: str, rig: Rig, tmp_path: Path) -> None:
    rig.trace.start()
    moves(rig, rig.advance, S)
    path = tmp_path / f"t.{suffix}"
    rig.trace.save(path, ["J4.*", "CARD.J4.SW.COM_V"])
    read = read_trace(path)
    written = rig.trace.waves(["J4.*", "CARD.J4.SW.COM_V"])
    assert [leaf(series.name) for series in read] == [leaf(w.name) for w in written]
    for series, wave in zip(read, written, strict=True):
        assert series.unit == wave.unit
        assert np.abs(series.time_s * S - wave.ticks).max() < 0.01
        assert series.values == pytest.approx(wave.values, rel=1e-8)
    only = read_trace(path, ["J4.ENC.?"])
    assert [series.name[-5:].replace(".", "_") for series in only] == [
        "ENC_A",
        "ENC_B",
        "ENC_Z",
    ]


def test_equal_runs_give_equal_files(tmp_path: Path) -> None:
    texts = []
    for number in range(2):
        with Rig(SCENE, 5, start_pose_deg=POSE) as rig:
            rig.trace.start()
            moves(rig, rig.advance, S)
            for suffix in ("vcd", "csv"):
                path = tmp_path / f"{number}.{suffix}"
                rig.trace.save(path)
                texts.append(path.read_text())
    assert texts[:2] == texts[2:]


def test_the_table_is_in_order(rig: Rig, tmp_path: Path) -> None:
    rig.trace.start()
    moves(rig, rig.advance, S)
    rig.trace.save(tmp_path / "t.csv", ["J1.*"])
    with (tmp_path / "t.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0]) == ["time_s", "signal", "value", "unit"]
    times = [float(row["time_s"]) for row in rows]
    assert times == sorted(times)
    assert {row["unit"] for row in rows} == {"", "deg", "N·m", "V"}


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("t.txt", "expected a name ending in .vcd or .csv"),
        ("none/t.vcd", "there is no folder"),
        ("folder.vcd", "Is a directory"),
    ],
)
def test_where_a_trace_cannot_be_written(name: str, text: str, rig: Rig, tmp_path: Path) -> None:
    (tmp_path / "folder.vcd").mkdir()
    rig.trace.start()
    with pytest.raises(TraceError, match=rf"^trace file '.*{name}': {text}"):
        rig.trace.save(tmp_path / name)


@pytest.mark.parametrize(
    ("name", "content", "text"),
    [
        ("no.vcd", None, "No such file"),
        ("no.txt", "", "expected a name ending"),
        ("bad.vcd", "once upon a time", "cannot be read"),
        ("empty.vcd", "$timescale 1 ns $end $enddefinitions $end\n", "holds no signal"),
        ("empty.csv", "time_s,signal,value,unit\n", "holds no signal"),
        ("bad.csv", "time_s,signal,value,unit\nsoon,J1.SW,1,\n", "not a change"),
        ("other.csv", "a,b\n1,2\n", "cannot be read"),
    ],
)
def test_files_that_are_no_trace(name: str, content: str | None, text: str, tmp_path: Path) -> None:
    if content is not None:
        (tmp_path / name).write_text(content)
    with pytest.raises(TraceError, match=rf"^trace file '.*{name}'.*{text}"):
        read_trace(tmp_path / name)


@pytest.fixture(scope="module")
def saved(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("trace") / "t.vcd"
    with Rig(SCENE, 5, start_pose_deg=POSE) as rig:
        rig.trace.start()
        moves(rig, rig.advance)
        rig.trace.save(path)
    return path


@pytest.mark.parametrize("patterns", [[], ["J6.*", "CARD.J6.SW.COM_V"], ["J2.ANGLE_DEG"]])
@pytest.mark.parametrize("suffix", [".png", ".svg"])
def test_plots(saved: Path, patterns: Sequence[str], suffix: str, tmp_path: Path) -> None:
    out = plot_trace(saved, tmp_path / f"p{suffix}", patterns, begin_s=0.4, end_s=2.0)
    content = out.read_bytes()
    if suffix == ".png":
        assert content.startswith(b"\x89PNG")
    else:
        assert b"rig time, s" in content
        assert b"J2_ANGLE_DEG" in content or "J6.*" in patterns


def test_a_thinned_line_keeps_its_outline() -> None:
    time = np.linspace(0.0, 1.0, 100_000)
    values = np.sin(1000 * time)
    values[54_321] = 7.0
    thin_time, thin = thinned(time, values, columns=100)
    assert len(thin) <= 404
    assert (thin.max(), thin.min(), thin[0], thin[-1]) == (7.0, values.min(), 0.0, values[-1])
    assert (np.diff(thin_time) > 0).all()
    assert (thinned(time[:400], values[:400], columns=100)[1] == values[:400]).all()


def test_plots_that_cannot_be(saved: Path, tmp_path: Path) -> None:
    with pytest.raises(TraceError, match=r"^plot 'p\.pdf': expected a name ending in"):
        plot_trace(saved, "p.pdf")
    with pytest.raises(TraceError, match=r"^no signal 'J9_\*' in the trace"):
        plot_trace(saved, tmp_path / "p.png", ["J9.*"])
    with pytest.raises(TraceError, match="nothing between 3 and 3 s; the signals chosen change"):
        plot_trace(saved, tmp_path / "p.png", begin_s=3.0, end_s=3.0)


def test_a_rig_that_never_traces_keeps_nothing(rig: Rig) -> None:
    moves(rig, rig.advance)
    assert isinstance(rig.trace, Trace)
    assert vars(rig.trace)["_kept"] is None
