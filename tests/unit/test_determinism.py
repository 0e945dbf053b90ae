"""Same scene, seed and timed bytes: same replies and same trace, in any process."""

from __future__ import annotations

import subprocess
import sys

# A short session over the in-process port, hands included; prints replies and trace digest.
_SESSION = """
import sys, serial, dryrig
seed, fault = sys.argv[1], sys.argv[2]
url = f"dryrig://heron?seed={seed}&rig=bench&start=0,20,-60,0,10,-150"
if fault:
    url += f"&fault={fault}"
card, hands, teacher = (
    serial.serial_for_url(f"{url}&port={role}", timeout=60) for role in ("card", "hands", "teacher")
)
def say(port, text):
    port.write(text.encode() + b"\\n")
    if "?" in text:
        print(text, port.readline())
say(teacher, "TRAC:STAR")
for text in ("DRIV:ENAB ON", "STEP:RATE 5000", "STEP:ACC 40000", "HALT:EDGE RISE,(@6)",
             "STEP:MOVE 9000,(@1:5)", "STEP:RUN NEG,(@6)", "*OPC?", "ENC:COUN?", "STEP:COUN?",
             "HALT:LATC? (@6)", "SWIT:LEV?"):
    say(card, text)
for text in ("SUPP:MOT OFF", "TURN 9,(@2)", "*OPC?", "FEEL? (@2)", "PRES (@3)", "LOOK?",
             "LEV? (@3)", 'MEAS:VOLT? "CARD.J3.SW.COM","RAIL.0V"'):
    say(hands, text)
for text in ("SWIT:LEV?", "ENC:COUN?", "CLOC:TIME?"):
    say(card, text)
say(teacher, "TRAC:HASH?")
"""


def session(seed: int, fault: str = "") -> str:
    run = subprocess.run(
        [sys.executable, "-c", _SESSION, str(seed), fault],
        capture_output=True,
        text=True,
        check=True,
        timeout=120,
    )
    return run.stdout


def edges(output: str) -> int:
    last = output.strip().splitlines()[-1]
    return int(last.split("b'\"")[1].split(",")[0])


def test_two_processes_say_and_do_the_same() -> None:
    first, second = session(11), session(11)
    assert first == second
    assert edges(first) >= 1000
    assert first.count("\n") == 14


def test_a_faulty_rig_repeats_too() -> None:
    first, second = session(11, "open@J3.SW.COM"), session(11, "open@J3.SW.COM")
    assert first == second != session(11)


def test_another_seed_is_another_arm() -> None:
    assert session(11) != session(12)
