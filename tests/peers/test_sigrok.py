"""Traced encoders and pulses over a whole homing, against the decoders of sigrok-cli.

Peer: sigrok-cli (GPL) with the `graycode` and `stepper_motor` decoders of libsigrokdecode, which
know nothing of us: they read the VCD file and count. Three habits of theirs: `graycode` aborts at
exit, after complete output (the text is judged, not the exit code); neither prints its last value,
so that one more edge of our own follows each trace; before a file's first time every pin is taken
for 0, which counts if it was not, so that the copies they get begin at time 0.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import NamedTuple

import pytest
import serial
from sigrok import needs_sigrok, sigrok

from dryrig.commission.arm import load_arm
from dryrig.commission.client import Card
from dryrig.commission.hand import PortHand
from dryrig.commission.homing import home
from dryrig.commission.positions import Positions
from dryrig.scenes import scene_path

URL = "dryrig://heron?seed=3&rig=traced"
JOINTS = [f"J{number}" for number in range(1, 7)]


class Homed(NamedTuple):
    """A homing's traces by joint, and how far the card's own counters moved meanwhile."""

    folder: Path
    counts: list[int]
    steps: list[int]


@pytest.fixture(scope="module")
def homed(tmp_path_factory: pytest.TempPathFactory) -> Homed:
    """Home all six joints with the reference routine, traced."""
    arm = load_arm(scene_path("heron"))
    channels = [joint.channel for joint in arm.joints]
    card, hand = Card.open(URL), PortHand.open(f"{URL}&port=hands")
    teacher = serial.serial_for_url(f"{URL}&port=teacher", timeout=60)
    try:
        card.enable(True, channels)
        hand.stand(False)
        folder = tmp_path_factory.mktemp("sigrok")
        teacher.write(b"WAIT? 1\n")  # without the stand the arm settles on its motors
        teacher.readline()
        teacher.write(b"TRAC:STAR\n")
        before = card.counts(channels), card.steps(channels)
        positions = Positions(arm, card)
        rest = positions.pose(arm.rest_pose_deg)
        for stage in sorted({joint.stage for joint in arm.joints}):
            joints = [joint for joint in arm.joints if joint.stage == stage]
            positions.take(home(card, joints))
            positions.go({joint.name: rest[joint.name] for joint in joints})
        after = card.counts(channels), card.steps(channels)
        teacher.write(b"TRAC:STOP\n")
        for joint in JOINTS:
            part = folder / f"{joint}.vcd"
            teacher.write(f'TRAC:SAVE "{part}","{joint}.[DES][INT]*";:SYST:ERR?\n'.encode())
            assert teacher.readline() == b'0,"No error"\n'
    finally:
        teacher.close()
        hand.close()
        card.close()
    moved = [[b[c] - a[c] for c in channels] for a, b in zip(before, after, strict=True)]
    return Homed(folder, moved[0], moved[1])


def with_one_more_edge(source: Path, target: Path, signal: str) -> None:
    """Copy a trace; its first time is 0, and `signal` changes once more 1 ms after its end."""
    text = re.sub(r"^#\d+$", "#0", source.read_text(encoding="ascii"), count=1, flags=re.MULTILINE)
    code = re.search(rf"\$var wire 1 (\S+) {signal} \$end", text)
    assert code is not None
    last = re.findall(rf"^([01]){re.escape(code.group(1))}$", text, re.MULTILINE)[-1]
    end = max(int(time) for time in re.findall(r"^#(\d+)$", text, re.MULTILINE)[-2:])
    target.write_text(
        f"{text}#{end + 1_000_000}\n{1 - int(last)}{code.group(1)}\n#{end + 2_000_000}\n",
        encoding="ascii",
    )


def decoded(vcd: Path, decoder: str, row: str) -> list[int]:
    """Every number a decoder prints."""
    text = sigrok(vcd, decoder, "-A", row).decode()
    return [int(number) for number in re.findall(r": (-?\d+)(?: steps)?$", text, re.MULTILINE)]


@needs_sigrok
@pytest.mark.parametrize("joint", JOINTS)
def test_counts_against_graycode(joint: str, homed: Homed, tmp_path: Path) -> None:
    with_one_more_edge(homed.folder / f"{joint}.vcd", tmp_path / "t.vcd", f"{joint}_ENC_A")
    decoder = f"graycode:d0={joint}_ENC_A:d1={joint}_ENC_B:edges=16"
    counts = decoded(tmp_path / "t.vcd", decoder, "graycode=count")
    assert len(counts) > 10_000
    assert counts[-1] == homed.counts[JOINTS.index(joint)]


@needs_sigrok
@pytest.mark.parametrize("joint", JOINTS)
def test_steps_against_stepper_motor(joint: str, homed: Homed, tmp_path: Path) -> None:
    with_one_more_edge(homed.folder / f"{joint}.vcd", tmp_path / "t.vcd", f"{joint}_STEP")
    decoder = f"stepper_motor:step={joint}_STEP:dir={joint}_DIR"
    steps = decoded(tmp_path / "t.vcd", decoder, "stepper_motor=position")
    assert len(steps) > 5_000
    assert steps[-1] == homed.steps[JOINTS.index(joint)]
