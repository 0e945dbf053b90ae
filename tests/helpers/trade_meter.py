"""What a meter tells in the trade's table of symptoms, row by row.

Common practice, no published source. Each takes a bench with the row's arm on it, and the joint.
"""

from __future__ import annotations

import pytest
from bench_person import Bench

from dryrig.scenes import load_scene

SCENE = load_scene("heron")
NEAR_0_V, LIT_V = 0.1, 4.0


def signs(bench: Bench, joint: int, *pairs: tuple[str, str]) -> list[list[float]]:
    """Volts across pairs after a nudge of either sign of the card's steps."""
    found = []
    for deg in (0.5, -0.5):
        bench.move({joint: deg * SCENE.joint[joint - 1].direction})
        found.append([bench.volts(*pair) for pair in pairs])
    return found


def train(bench: Bench, joint: int, *pairs: tuple[str, str]) -> list[float]:
    """Volts across pairs while some 2000 steps a second go out: a mean of 5 us pulses."""
    found = []
    for number, pair in enumerate(pairs):
        one = SCENE.joint[joint - 1]
        sign = -1 if number % 2 else 1
        bench.start({joint: 8.0 * sign}, 2000 / abs(one.steps_per_deg))
        bench.wait(0.2)
        found.append(bench.volts(*pair))
        bench.card("*OPC?")
    return found


PULSES_V = 2000 * 5e-6 * 5  # by hand: 0.05 V


def meter_normal(bench: Bench, joint: int, motor: int | None = None) -> None:
    """Volts at the drive, the encoder and the switch, and ohms of the coils: nothing to see.

    `motor` is the joint whose coils hang on the drive, if another's.
    """
    name = f"J{joint}"
    bench.motors(joint)
    zero = f"{name}.OPTO0V"
    pos, neg = signs(bench, joint, (f"{name}.DIR", zero), (f"{name}.ENA", zero))
    assert pos == [pytest.approx(4.75, abs=0.3), pytest.approx(4.75, abs=0.3)]
    assert neg == [pytest.approx(0, abs=0.02), pytest.approx(4.75, abs=0.3)]
    assert bench.volts(f"{name}.DRIVE.24V", f"{name}.DRIVE.0V") == pytest.approx(24, abs=0.6)
    assert bench.volts(f"{name}.ENC.5V", f"{name}.ENC.0V") == pytest.approx(5, abs=0.25)
    for channel in "AB":
        for end in (f"CARD.{name}.ENC.{channel}", f"{name}.ENC.{channel}"):
            volts = bench.volts(end)
            assert volts < 0.1 or volts > 4.7
    switch_volts(bench, joint, solid=True)
    coil_ohm = SCENE.joint[(motor or joint) - 1].motor.coil_ohm
    for coil in coils(bench, joint):
        assert coil == pytest.approx(coil_ohm, abs=1.0)


def coils(bench: Bench, joint: int) -> tuple[float, float]:
    """Ohms of the two pairs at the drive's end, power off."""
    bench.hands("SUPP:MAIN OFF")
    name = f"CARD.J{joint}.MOTOR"
    return bench.ohms(f"{name}.A+", f"{name}.A-"), bench.ohms(f"{name}.B+", f"{name}.B-")


def switch_volts(bench: Bench, joint: int, *, solid: bool) -> tuple[float, float]:
    """The common at the card, at rest and pressed."""
    common = f"CARD.J{joint}.SW.COM"
    rest = bench.volts(common)
    bench.hands(f"PRES (@{joint})")
    bench.wait(0.05)
    pressed = bench.volts(common)
    bench.hands(f"REL (@{joint})")
    if solid:
        assert rest == pytest.approx(0, abs=0.01)
        assert pressed == pytest.approx(3.3, abs=0.06)
    return rest, pressed


def meter_cp1(bench: Bench, joint: int) -> None:
    """DIR pair 0 V both signs; card end changes."""
    name = f"J{joint}"
    bench.motors(joint)
    pos, neg = signs(
        bench, joint, (f"{name}.DIR", f"{name}.OPTO0V"), (f"CARD.{name}.DIR", "RAIL.0V")
    )
    assert [pos[0], neg[0]] == pytest.approx([0, 0], abs=0.01)
    assert pos[1] > LIT_V
    assert neg[1] < NEAR_0_V


def meter_cp2(bench: Bench, joint: int) -> None:
    """STEP pair steady, follows sign; DIR pair pulse average."""
    bench.motors(joint)
    pos, neg = signs(bench, joint, ("J3.STEP", "J3.OPTO0V"))
    assert pos[0] > LIT_V
    assert neg[0] == pytest.approx(0, abs=0.01)
    (mean,) = train(bench, joint, ("J3.DIR", "J3.OPTO0V"))
    # STEP, steady and lit, raises the common 0 V of the three inputs by some 6 mV.
    assert mean == pytest.approx(PULSES_V - 0.006, abs=0.006)


def meter_cp3(bench: Bench, joint: int) -> None:
    """STEP pair 0; at the card pulses."""
    bench.motors(joint)
    part, card = train(bench, joint, ("J3.STEP", "J3.OPTO0V"), ("CARD.J3.STEP", "RAIL.0V"))
    assert part == pytest.approx(0, abs=0.004)
    assert card == pytest.approx(PULSES_V, rel=0.15)


def meter_cp4(bench: Bench, joint: int) -> None:
    """ENABLE pair 0; 24 V ok."""
    bench.motors(joint)
    assert bench.volts("J3.ENA", "J3.OPTO0V") == pytest.approx(0, abs=0.01)
    assert bench.volts("J3.DRIVE.24V", "J3.DRIVE.0V") == pytest.approx(24, abs=0.6)


def meter_cp5(bench: Bench, joint: int) -> None:
    """Drive supply 0, rail 24."""
    bench.motors(joint)
    assert bench.volts("J3.DRIVE.24V", "J3.DRIVE.0V") == pytest.approx(0, abs=0.01)
    assert bench.volts("RAIL.24V") == pytest.approx(24, abs=0.6)


def meter_cp6(bench: Bench, joint: int) -> None:
    """Off: one pair open."""
    one, other = coils(bench, joint)
    assert one > 1e30
    assert other == pytest.approx(SCENE.joint[joint - 1].motor.coil_ohm, abs=1.0)


def meter_cp8(bench: Bench, joint: int) -> None:
    """Off: each drive pair open, cross-pair reads coil."""
    assert min(coils(bench, joint)) > 1e30
    coil_ohm = pytest.approx(SCENE.joint[joint - 1].motor.coil_ohm, abs=1.0)
    name = f"CARD.J{joint}.MOTOR"
    assert bench.ohms(f"{name}.A+", f"{name}.B-") == coil_ohm
    assert bench.ohms(f"{name}.B+", f"{name}.A-") == coil_ohm


def meter_cp9(bench: Bench, joint: int) -> None:
    """A at card near 0, drifting; at encoder 0/5."""
    bench.hands("SUPP:MOT OFF")
    at_card, at_part = [], []
    for _ in range(8):
        at_card.append(bench.volts("CARD.J3.ENC.A"))
        at_part.append(bench.volts("J3.ENC.A"))
        bench.turn(joint, 0.37)
        bench.wait(0.5)
    assert max(map(abs, at_card)) < NEAR_0_V
    assert len(set(at_card)) > 1
    assert not bench.held("CARD.J3.ENC.A", "RAIL.5V")
    assert min(at_part) < 0.1
    assert max(at_part) > 4.7


def meter_cp11(bench: Bench, joint: int) -> None:
    """At encoder below 0.5 V (back-fed more); card 5 V."""
    assert bench.volts("J3.ENC.5V", "J3.ENC.0V") < 0.5
    assert bench.volts("RAIL.5V") == pytest.approx(5, abs=0.25)


def meter_cp12(bench: Bench, joint: int) -> None:
    """Encoder 5 V to its 0 V: 0-2; its 0 V to card 0 V: 3-5.

    The 5 V of this rail are 5.05 V and 1 %.
    """
    assert 0 <= bench.volts("J3.ENC.5V", "J3.ENC.0V") + 0.002 <= 2
    assert 3 <= bench.volts("J3.ENC.0V") <= 5.11
    assert min(bench.volts(f"CARD.J3.ENC.{channel}") for channel in "AB") > 2.0  # frozen high


def meter_cp14(bench: Bench, joint: int) -> None:
    """Normal: what ohms tell is the other motor's coils, if they differ."""
    meter_normal(bench, joint, 6)


def meter_cp15(bench: Bench, joint: int) -> None:
    """Card: near 0 drifting both positions; COM lug 0/3.3."""
    rest, pressed = switch_volts(bench, joint, solid=False)
    assert max(abs(rest), abs(pressed)) < NEAR_0_V
    assert not bench.held("CARD.J3.SW.COM", "RAIL.3V3")
    bench.wait(0.05)
    assert bench.volts("J3.SW.COM") == pytest.approx(0, abs=0.01)
    bench.hands("PRES (@3)")
    bench.wait(0.05)
    assert bench.volts("J3.SW.COM") == pytest.approx(3.3, abs=0.06)


def meter_cp16(bench: Bench, joint: int) -> None:
    """Rest near 0 drifting, fails 10 kohm test; pressed 3.3."""
    rest, pressed = switch_volts(bench, joint, solid=False)
    bench.wait(0.05)
    assert abs(rest) < NEAR_0_V
    assert not bench.held("CARD.J3.SW.COM", "RAIL.3V3")
    assert pressed == pytest.approx(3.3, abs=0.06)


def meter_cp17(bench: Bench, joint: int) -> None:
    """Rest solid 0; pressed drifting."""
    rest, pressed = switch_volts(bench, joint, solid=False)
    bench.wait(0.05)
    assert rest == pytest.approx(0, abs=0.005)
    assert bench.held("CARD.J3.SW.COM", "RAIL.3V3")
    assert abs(pressed) < NEAR_0_V
    bench.hands("PRES (@3)")
    bench.wait(0.05)
    assert not bench.held("CARD.J3.SW.COM", "RAIL.3V3")


def meter_cp18(bench: Bench, joint: int) -> None:
    """Rest 3.3, pressed 0."""
    rest, pressed = switch_volts(bench, joint, solid=False)
    assert rest == pytest.approx(3.3, abs=0.06)
    assert pressed == pytest.approx(0, abs=0.01)


def meter_cp19(bench: Bench, joint: int) -> None:
    """Rest 0; pressed rail collapses."""
    assert bench.volts("CARD.J3.SW.COM") == pytest.approx(0, abs=0.01)
    bench.hands("PRES (@3)")
    bench.wait(0.05)
    assert bench.volts("RAIL.3V3") < 1.0


def meter_cp19_at_rest(bench: Bench, joint: int) -> None:
    assert bench.volts("RAIL.3V3") < 1.0
    bench.hands("PRES (@3)")
    bench.wait(0.05)
    assert bench.volts("RAIL.3V3") == pytest.approx(3.3, abs=0.06)


def meter_cp20(bench: Bench, joint: int) -> None:
    """Volts normal; off, plug out: 4.7 kohm."""
    switch_volts(bench, joint, solid=True)
    bench.hands("SUPP:MAIN OFF")
    bench.hands('PLUG OUT,"J3.SW"')
    assert bench.ohms("CARD.J3.SW.COM", "PLUG.J3.SW.COM") == pytest.approx(4700, rel=0.02)


def meter_cp22(bench: Bench, joint: int) -> None:
    """Volts normal, supply amps low: by the drop along the drive's 0 V conductor."""
    meter_normal(bench, joint)
    bench.hands("SUPP:MAIN ON")
    bench.motors(joint)
    drop_v = bench.volts(f"J{joint}.DRIVE.0V")
    one = SCENE.joint[joint - 1]
    wire_ohm = SCENE.harness.wires["DRIVE.0V"].ohm_per_m * one.cable_m + 2 * SCENE.harness.crimp_ohm
    assert drop_v / wire_ohm < 0.3 * SCENE.drive.load_a
