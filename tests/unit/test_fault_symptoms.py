"""What kinds of fault do to an arm: symptoms that nobody wrote down arrive through the parts."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from dryrig.faults import Injector
from dryrig.protocol.station import Station
from dryrig.scenes import load_scene
from dryrig.sim import TICKS_PER_S, Rig

SCENE = load_scene("heron")
POSE = [0.0, 60.0, -90.0, 0.0, 30.0, 0.0]
J2, J5 = 1, 4


@pytest.fixture
def rig() -> Iterator[Rig]:
    with Rig(SCENE, 3, start_pose_deg=POSE) as rig:
        yield rig


def wait(rig: Rig, time_s: float = 0.2) -> None:
    rig.advance(rig.now + round(time_s * TICKS_PER_S))


def jog(rig: Rig, joint: int, steps: int, rate: float = 2000.0) -> float:
    """Degrees by which a joint really went."""
    rig.card.enable(joint, True)
    wait(rig)
    before = rig.truth_deg()[joint]
    rig.card.set_rate(joint, rate)
    rig.card.move(joint, steps)
    wait(rig, 1.0 + abs(steps) / rate)
    return rig.truth_deg()[joint] - before


def by_hand(rig: Rig, joint: int, deg: float, deg_per_s: float = 10.0) -> int:
    """Counts of a turn by hand, motor supply off."""
    rig.hands.set_motor_supply(False)
    before = rig.card.count(joint)
    rig.hands.turn(joint, deg, deg_per_s)
    wait(rig, abs(deg) / deg_per_s + 0.5)
    return rig.card.count(joint) - before


# --- card ----------------------------------------------------------------------------------


def test_a_frozen_output_is_at_its_level_on_the_cards_own_terminal(rig: Rig) -> None:
    Injector(rig).insert("frozen@CARD.J5.DIR")
    up, down = jog(rig, J5, 1000), jog(rig, J5, -1000)
    assert up == pytest.approx(down, abs=0.05)
    assert abs(up) == pytest.approx(1000 / SCENE.joint[J5].steps_per_deg, abs=0.05)
    rig.card.move(J5, 100)
    wait(rig)
    assert abs(rig.meter.volts("CARD.J5.DIR", "RAIL.0V")) < 0.02


def test_a_frozen_input_keeps_its_level_whatever_its_terminal_has(rig: Rig) -> None:
    injector = Injector(rig)
    injector.insert("frozen@CARD.J5.SW.COM,level=2")
    wait(rig)
    assert (rig.level(J5), rig.meter.volts("CARD.J5.SW.COM", "RAIL.0V") < 0.01) == (1, True)
    injector.change("frozen@CARD.J5.SW.COM,level=2", "frozen@CARD.J5.SW.COM")
    rig.hands.press(J5)
    wait(rig)
    assert (rig.level(J5), rig.meter.volts("CARD.J5.SW.COM", "RAIL.0V") > 3.2) == (0, True)
    injector.clear()
    assert rig.level(J5) == 1


def test_an_input_whose_thresholds_have_drifted_misses_3v3(rig: Rig) -> None:
    """By hand: V_IH 2.0 V and 1.5 V more lie above 3.3 V; 1.2 V more do not."""
    for volts, level in ((1.5, 0), (1.2, 1)):
        injector = Injector(rig)
        injector.insert(f"drift@CARD.J5.SW.COM,volts={volts}")
        rig.hands.press(J5)
        wait(rig)
        assert rig.level(J5) == level
        rig.hands.release(J5)
        injector.clear()
        wait(rig)


def test_a_narrow_counter_is_off_by_whole_powers_of_two(rig: Rig) -> None:
    with Rig(SCENE, 3, start_pose_deg=POSE) as sound:
        right = by_hand(sound, J2, 30.0)
    Injector(rig).insert("overflow@J2.COUNTER,bits=12")
    wrong = by_hand(rig, J2, 30.0)
    assert abs(right) == pytest.approx(30 * 4000 * 25 / 360, abs=2)
    assert wrong != right
    assert (wrong - right) % 4096 == 0
    assert -2048 <= rig.card.count(J2) < 2048


@pytest.fixture
def station() -> Iterator[Station]:
    with Station.build("heron", seed=3, start_pose_deg=POSE) as station:
        station.ports["card"].connect()
        yield station


def ask(station: Station, text: str, wait_s: float = 0.5) -> str:
    port = station.ports["card"]
    port.write(text.encode() + b"\n")
    wait(station.rig, wait_s)
    return port.take(1 << 16).decode("latin-1").strip()


def test_a_card_on_the_5_v_rail_resets_when_that_sags(station: Station) -> None:
    injector = station.injector
    injector.insert("reset@CARD")
    assert ask(station, "*CLS;DRIV:ENAB ON,(@2);:STEP:COUN 1000,(@2);COUN? (@2);*ESR?") == "1000;0"
    station.rig.hands.set_main_supply(False)
    wait(station.rig)
    assert ask(station, "*IDN?") == ""
    station.rig.hands.set_main_supply(True)
    wait(station.rig)
    assert ask(station, "DRIV:ENAB? (@2);:STEP:COUN? (@2);*ESR?") == "0;0;128"
    # The same on the host's cable: nothing happens.
    injector.clear()
    ask(station, "STEP:COUN 1000,(@2)")
    station.rig.hands.set_main_supply(False)
    assert ask(station, "STEP:COUN? (@2)") == "1000"


def test_a_reset_in_motion_stops_the_pulses_and_lets_go(station: Station) -> None:
    station.injector.insert("reset@CARD,volts=4.8")
    station.injector.schedule("brownout@RAIL.5V,to=1.6,factor=0.9", 1.5)
    ask(station, "DRIV:ENAB ON,(@5);:STEP:MOVE 20000,(@5)", 1.3)
    assert station.rig.card.moving(J5)
    wait(station.rig, 0.4)
    assert not station.rig.card.moving(J5)
    assert not station.rig.drives[J5].energised
    assert ask(station, "STEP:COUN? (@5)") == "0"


def test_opening_the_port_resets_a_card_that_is_wired_so(station: Station) -> None:
    ask(station, "STEP:COUN 1000,(@2);:DRIV:ENAB ON,(@2)")
    station.ports["card"].connect()
    assert ask(station, "STEP:COUN? (@2)") == "1000"
    station.injector.insert("autoreset@CARD")
    station.ports["card"].connect()
    assert ask(station, "STEP:COUN? (@2);:DRIV:ENAB? (@2);*ESR?") == "0;0;128"


# --- supplies ------------------------------------------------------------------------------


def test_a_supply_with_much_internal_resistance_sags_under_its_load(rig: Rig) -> None:
    """By hand: E R/(R + Ri), the drives 24 V/0.05 A each at rest and 24 V/0.35 A when on."""
    volts = [rig.meter.volts("RAIL.24V", "RAIL.0V")]
    Injector(rig).insert("sag@RAIL.24V")
    volts.append(rig.meter.volts("RAIL.24V", "RAIL.0V"))
    for joint in range(6):
        rig.card.enable(joint, True)
    wait(rig)
    volts.append(rig.meter.volts("RAIL.24V", "RAIL.0V"))
    emf = rig.individual.rail_volts["RAIL.24V"]
    load = [24 / 0.05 / 6, 24 / 0.05 / 6, 24 / 0.35 / 6]
    source = [0.1, 5.1, 5.1]
    for read, ohm, inner in zip(volts, load, source, strict=True):
        assert read == pytest.approx(emf * ohm / (ohm + inner), rel=0.01)


def test_the_card_answers_though_its_5_v_is_away(station: Station) -> None:
    station.injector.insert("blown@RAIL.5V")
    wait(station.rig)
    assert abs(station.rig.meter.volts("RAIL.5V", "RAIL.0V")) < 0.05
    assert ask(station, "*IDN?").startswith("Dryrig,heron")
    ask(station, "DRIV:ENAB ON,(@5)")
    assert not station.rig.drives[J5].energised


def test_a_brown_out_starves_encoders(rig: Rig) -> None:
    sound = by_hand(rig, J5, 5.0)
    Injector(rig).insert("brownout@RAIL.5V")
    assert rig.meter.volts("J5.ENC.5V", "J5.ENC.0V") < SCENE.encoder.supply_min_v
    assert abs(sound) > 900
    assert abs(by_hand(rig, J5, 5.0)) <= 1


def test_pick_up_grows_by_its_factor_and_leaves_a_driven_input_alone(rig: Rig) -> None:
    injector = Injector(rig)
    injector.insert("hum@J5.SW")
    rig.hands.press(J5)
    wait(rig)
    assert rig.level(J5) == 1
    assert rig.meter.volts_ac("CARD.J5.SW.COM", "RAIL.0V") < 0.005
    injector.change("hum@J5.SW", "open@J5.SW.COM")
    alone = rig.meter.volts_ac("CARD.J5.SW.COM", "RAIL.0V")
    injector.insert("hum@J5.SW")
    both = rig.meter.volts_ac("CARD.J5.SW.COM", "RAIL.0V")
    assert both == pytest.approx(30 * alone, rel=0.1)


# --- drives, motors, load ------------------------------------------------------------------


def test_inputs_made_for_more_volts_lose_pulses_or_are_dead(rig: Rig) -> None:
    """By hand: 3.85 V over 850 ohm are 4.5 mA of a threshold of 4; over 1345 ohm 2.9 mA."""
    whole = 4000 / SCENE.joint[J5].steps_per_deg
    injector = Injector(rig)
    injector.insert("dim@J5.DRIVE")
    short = abs(jog(rig, J5, 4000))
    assert 0.1 * whole < short < 0.98 * whole
    injector.change("dim@J5.DRIVE", "dim@J5.DRIVE,factor=4")
    assert abs(jog(rig, J5, 4000)) < 0.2
    assert not rig.drives[J5].energised


def test_a_drive_that_forgets_is_right_until_its_supply_was_off(rig: Rig) -> None:
    injector = Injector(rig)
    injector.insert("forget@J5.DRIVE")
    whole = 1000 / SCENE.joint[J5].steps_per_deg
    assert abs(jog(rig, J5, 1000)) == pytest.approx(whole, abs=0.05)
    rig.hands.set_motor_supply(False)
    wait(rig)
    rig.hands.set_motor_supply(True)
    wait(rig)
    assert abs(jog(rig, J5, -1000)) == pytest.approx(2 * whole, abs=0.05)
    injector.clear()
    assert abs(jog(rig, J5, 1000)) == pytest.approx(whole, abs=0.05)


@pytest.mark.parametrize("on", [1, 2])
def test_a_brake_drags_or_does_not_hold(on: int) -> None:
    shoulder = SCENE.joint[J2].model_copy(update={"brake_n_m": 40.0})
    joints = (SCENE.joint[0], shoulder, *SCENE.joint[2:])
    with Rig(SCENE.model_copy(update={"joint": joints}), 3, start_pose_deg=POSE) as rig:
        Injector(rig).insert(f"brake@J2.BRAKE,on={on}")
        if on == 1:
            whole = 2000 / shoulder.steps_per_deg
            assert abs(jog(rig, J2, -2000)) < 0.5 * whole  # up: 40 N.m and gravity are too much
        else:
            rig.hands.set_stand(False)
            wait(rig, 1.0)
            assert rig.truth_deg()[J2] < POSE[J2] - 10


def test_an_overload_adds_its_weight_times_its_arm(rig: Rig) -> None:
    """By hand: the torque at J2 grows by m g times the horizontal way to the load's centre."""
    position, still = rig.angles_rad(), [0.0] * 6
    before = rig.body.inverse_dynamics(position, still, still)
    frames = rig.body.link_frames(position)
    centre = 0.056574074  # from J6's frame along its x axis to the centre of L6, scenes/heron.urdf
    place, turn = frames[5]
    across = [place[axis] + turn[3 * axis] * centre - frames[1][0][axis] for axis in (0, 1)]
    injector = Injector(rig)
    injector.insert("overload@TOOL,kg=3")
    after = rig.body.inverse_dynamics(position, still, still)
    arm_m = (across[0] ** 2 + across[1] ** 2) ** 0.5
    assert abs(after[J2]) - abs(before[J2]) == pytest.approx(3 * 9.81 * arm_m, rel=0.01)
    injector.clear()
    assert rig.body.inverse_dynamics(position, still, still) == before


# --- encoders ------------------------------------------------------------------------------


@pytest.mark.parametrize("fault", ["dead@J5.ENC", "dead@J5.ENC,channel=2,level=1"])
def test_a_dead_channel_stands_still_at_the_encoder_and_so_does_the_count(
    rig: Rig, fault: str
) -> None:
    Injector(rig).insert(fault)
    assert abs(by_hand(rig, J5, 5.0)) <= 1
    channel, level = ("B", 1) if "channel=2" in fault else ("A", 0)
    for _ in range(4):
        volts = rig.meter.volts(f"J5.ENC.{channel}", "J5.ENC.0V")
        assert (volts > 2.5) == bool(level)
        by_hand(rig, J5, 360 / (4000 * 18))


def halted_at(rig: Rig, fault: str, edge: str, steps: int) -> int | None:
    """The step at which a move of J5 was halted by an edge, or None."""
    Injector(rig).insert(fault)
    rig.card.enable(J5, True)
    wait(rig)
    rig.card.set_rate(J5, 1600.0)
    rig.card.arm_halt(J5, edge)  # type: ignore[arg-type]
    rig.card.move(J5, steps)
    wait(rig, 1.0 + abs(steps) / 1600)
    latch = rig.card.latch(J5)
    return latch.step if latch.hit else None


def test_a_dead_index_channel_is_never_latched() -> None:
    for fault, found in (("dead@J5.ENC", True), ("dead@J5.ENC,channel=3", False)):
        with Rig(SCENE, 3, start_pose_deg=POSE) as rig:
            assert (halted_at(rig, fault, "INDEX", 4000) is not None) == found


@pytest.mark.parametrize("turn", [0.0, 0.25])
def test_an_index_lies_where_it_was_put_past_the_switch(turn: float) -> None:
    """Up to the spread of the switch, 0.05 deg either side; a cycle is 0.02 deg at the joint."""
    near = [*POSE[:4], -94.0, 0.0]
    fault, at = f"index@J5.ENC,turn={turn}", {}
    for edge in ("RISE", "INDEX"):
        with Rig(SCENE, 3, start_pose_deg=near) as rig:
            # Positive steps turn J5 down, to its switch.
            at[edge] = halted_at(rig, fault, edge, 3200)
    assert at["RISE"] is not None
    assert at["INDEX"] is not None
    apart = (at["INDEX"] - at["RISE"]) / 3200  # in turns of the motor
    spread = (0.05 + 0.03) * 18 / 360
    assert (apart - turn + 0.5) % 1.0 - 0.5 == pytest.approx(0.0, abs=spread)


def test_a_weak_pull_up_loses_counts_when_it_is_fast_only(rig: Rig) -> None:
    Injector(rig).insert("slow@J5.ENC")
    slow = by_hand(rig, J5, 10.0, 2.0)
    assert abs(slow) == pytest.approx(10 * 4000 * 18 / 360, abs=1)
    fast = by_hand(rig, J5, -10.0, 60.0)
    assert abs(fast) < 0.5 * abs(slow)
