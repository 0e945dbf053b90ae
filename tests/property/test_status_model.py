"""The status system against a model of its own: registers, queue, summary bits, step by step.

The model below shares no code with the card: bit numbers and rules are those of IEEE 488.2 and
SCPI-1999 as `tests/published/test_ieee488_scpi.py` sources them, typed in again.
"""

from __future__ import annotations

from typing import Any

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    invariant,
    rule,
    run_state_machine_as_test,
)

from dryrig.protocol.dialect import ScpiDialect
from dryrig.protocol.port import Port
from dryrig.protocol.station import ROLES, Station
from dryrig.sim.clock import TICKS_PER_S

STEPS = 10_000
WRONG = [
    ("*NO", -113),
    ("STEP:RAET 5", -113),
    ("STEP2:RATE 5", -114),
    ("&", -101),
    ("*ESE", -109),
    ("*ESE 1,2", -108),
    ("*ESE MAX", -148),
    ('*ESE "1"', -158),
    ("*ESE (1)", -178),
    ("*ESE 1X", -138),
    ("*ESE 256", -222),
    ("STEP:RATE 0", -222),
    ("STEP:RUN UP", -224),
    ("STEP:RATE 5,(@7)", -222),
    ("STEP:RATE 5,(@x)", -171),
    ('STEP:RATE "5', -151),
    ("STEP:ABCDEFGHIJKLMN", -112),
    ("*TST?x", -111),
    ("\xe4", -101),
]
BYTES = st.integers(0, 255)
WORDS = st.integers(0, 65535)
GROUPS = st.sampled_from(["OPER", "QUES"])
AXES = st.integers(1, 6)


class Group:
    """Condition, event, enable and both filters."""

    def __init__(self) -> None:
        self.condition = self.event = self.enable = self.falls = 0
        self.rises = 2**15 - 1

    def see(self, condition: int) -> None:
        for bit in range(15):
            before, after = self.condition >> bit & 1, condition >> bit & 1
            if (not before and after and self.rises >> bit & 1) or (
                before and not after and self.falls >> bit & 1
            ):
                self.event |= 2**bit
        self.condition = condition


class Model:
    """What the standards say a device keeps, and what this card's conditions are made of."""

    def __init__(self, *, power: bool, pressed: bool) -> None:
        self.esr, self.ese, self.sre = 128, 0, 0
        self.queue: list[int] = []
        self.groups = {"OPER": Group(), "QUES": Group()}
        self.opc = False
        self.armed: set[int] = set()
        self.loaded: dict[int, int] = {}
        self.moving: dict[int, int] = {}
        self.switches: set[int] = set()
        self.error: dict[int, int] = {}  # steps given since an axis was watched
        self.power, self.pressed = power, pressed
        self.look()

    def look(self) -> None:
        oper = 256 * bool(self.moving) + 512 * bool(self.armed)
        oper += 32 * any(self.loaded.values())
        far = any(abs(steps) > 100 for steps in self.error.values())
        ques = 512 * far + 1 * (not self.power) + 1024 * self.pressed
        self.groups["OPER"].see(oper)
        self.groups["QUES"].see(ques)
        if self.opc and not self.moving:
            self.opc, self.esr = False, self.esr | 1

    def wrong(self, number: int) -> None:
        classes = {1: 32, 2: 16, 3: 8, 4: 4}
        self.esr |= classes[-number // 100]
        if len(self.queue) < 16:
            self.queue.append(number)
        else:
            self.queue[15] = -350
            self.esr |= 8

    def stb(self, *, waiting: bool = False) -> int:
        value = 4 * bool(self.queue) + 16 * waiting + 32 * bool(self.esr & self.ese)
        value += 8 * bool(self.groups["QUES"].event & self.groups["QUES"].enable)
        value += 128 * bool(self.groups["OPER"].event & self.groups["OPER"].enable)
        return value + 64 * bool(value & self.sre)


class StatusMachine(RuleBasedStateMachine):
    """A session of the card, its drives off, beside the model."""

    station: Station
    steps = 0

    def __init__(self) -> None:
        super().__init__()
        self.rig = self.station.rig
        self.hands = self.station.ports["hands"]
        self.to(self.hands, "*RST;:STOP OFF;:SUPP:MOT ON")
        self.rig.card.reset()
        self.pause(1.0)
        self.card = Port(
            "card", self.rig, lambda _rig, wake: ScpiDialect(self.station, ROLES["card"], wake)
        )
        self.model = Model(power=True, pressed=False)

    def teardown(self) -> None:
        self.card.detach()

    def to(self, port: Port, text: str) -> str:
        port.write(text.encode("latin-1") + b"\n")
        return port.take(1 << 20).decode().rstrip("\n")

    def pause(self, seconds: float) -> None:
        self.rig.advance(self.rig.now + round(seconds * TICKS_PER_S))

    def send(self, text: str) -> None:
        assert self.to(self.card, text) == ""
        self.model.look()

    def ask(self, text: str, expected: object) -> None:
        assert self.to(self.card, text) == str(expected)

    @invariant()
    def summarises(self) -> None:
        type(self).steps += 1
        self.ask("*STB?", self.model.stb())

    @rule(which=st.sampled_from(WRONG))
    def goes_wrong(self, which: tuple[str, int]) -> None:
        self.send(which[0])
        self.model.wrong(which[1])

    @rule(which=st.sampled_from(WRONG), count=st.integers(8, 20))
    def goes_wrong_often(self, which: tuple[str, int], count: int) -> None:
        for _ in range(count):
            self.send(which[0])
            self.model.wrong(which[1])

    @rule()
    def next_error(self) -> None:
        number = self.model.queue.pop(0) if self.model.queue else 0
        assert self.to(self.card, "SYST:ERR?").split(",")[0] == str(number)

    @rule()
    def counts_errors(self) -> None:
        self.ask("SYST:ERR:COUN?", len(self.model.queue))

    @rule()
    def clears(self) -> None:
        self.send("*CLS")
        self.model.esr, self.model.queue, self.model.opc = 0, [], False
        for group in self.model.groups.values():
            group.event = 0

    @rule(mask=BYTES)
    def enables_events(self, mask: int) -> None:
        self.send(f"*ESE {mask}")
        self.model.ese = mask
        self.ask("*ESE?", mask)

    @rule(mask=BYTES)
    def enables_service(self, mask: int) -> None:
        self.send(f"*SRE #H{mask:X}")
        self.model.sre = mask & 191
        self.ask("*SRE?", mask & 191)

    @rule()
    def reads_events(self) -> None:
        self.ask("*ESR?", self.model.esr)
        self.model.esr = 0

    @rule()
    def reads_status_byte_after_a_reply(self) -> None:
        self.ask("*TST?;*STB?", f"0;{self.model.stb(waiting=True)}")

    @rule(name=GROUPS, mask=WORDS)
    def enables_group(self, name: str, mask: int) -> None:
        self.send(f"STAT:{name}:ENAB {mask}")
        self.model.groups[name].enable = mask % 2**15
        self.ask(f"STAT:{name}:ENAB?", mask % 2**15)

    @rule(name=GROUPS, rises=WORDS, falls=WORDS)
    def filters(self, name: str, rises: int, falls: int) -> None:
        self.send(f"STAT:{name}:PTR {rises};NTR {falls}")
        group = self.model.groups[name]
        group.rises, group.falls = rises % 2**15, falls % 2**15

    @rule()
    def presets(self) -> None:
        self.send("STAT:PRES")
        for group in self.model.groups.values():
            group.enable, group.rises, group.falls = 0, 2**15 - 1, 0

    @rule(name=GROUPS)
    def reads_condition(self, name: str) -> None:
        self.ask(f"STAT:{name}:COND?", self.model.groups[name].condition)

    @rule(name=GROUPS)
    def reads_group(self, name: str) -> None:
        self.ask(f"STAT:{name}?", self.model.groups[name].event)
        self.model.groups[name].event = 0

    @rule()
    def asks_for_completion(self) -> None:
        self.model.opc = True
        self.send("*OPC")

    @rule(axis=AXES, on=st.booleans())
    def arms(self, axis: int, on: bool) -> None:
        (self.model.armed.add if on else self.model.armed.discard)(axis)
        self.send(f"HALT:EDGE {'RISE' if on else 'OFF'},(@{axis})")

    @rule(axis=AXES, steps=st.integers(-20, 20))
    def loads(self, axis: int, steps: int) -> None:
        self.model.loaded[axis] = steps
        self.send(f"STEP:LOAD {steps},(@{axis})")

    @rule()
    def triggers(self) -> None:
        model = self.model
        ready = {axis: steps for axis, steps in model.loaded.items() if steps}
        if ready and not set(ready) & set(model.moving):
            model.moving |= ready
            model.loaded.clear()
        self.send("*TRG")
        if not ready:
            model.wrong(-211)
        elif not set(ready) <= set(model.moving) or model.loaded:
            model.wrong(-221)

    @rule(axis=AXES, steps=st.integers(1, 150))
    def moves(self, axis: int, steps: int) -> None:
        busy = axis in self.model.moving
        if not busy:
            self.model.moving[axis] = steps
        self.send(f"STEP:MOVE {steps},(@{axis})")
        if busy:
            self.model.wrong(-221)

    @rule(axis=AXES)
    def watches(self, axis: int) -> None:
        if axis not in self.model.moving:
            self.model.error[axis] = 0
            self.send(f"FOLL:SCAL 1,(@{axis})")

    @rule()
    def waits(self) -> None:
        """One second: every move is at its end."""
        self.pause(1.0)
        for axis, steps in self.model.moving.items():
            if axis in self.model.error:
                self.model.error[axis] += steps
        self.model.moving.clear()
        self.model.look()

    @rule(axis=AXES, down=st.booleans())
    def a_finger(self, axis: int, down: bool) -> None:
        """On the switch of an axis at rest, and 2 ms for its contacts."""
        model = self.model
        if model.moving or model.loaded:
            return
        rises = down and axis not in model.switches
        (model.switches.add if down else model.switches.discard)(axis)
        self.to(self.hands, f"{'PRES' if down else 'REL'} (@{axis})")
        self.pause(0.002)
        if rises:
            model.armed.discard(axis)
        model.look()

    @rule(pressed=st.booleans())
    def the_stop_button(self, pressed: bool) -> None:
        model = self.model
        if model.moving or model.loaded:
            return
        self.to(self.hands, f"STOP {int(pressed)}")
        model.pressed = pressed
        model.power = model.power and not pressed
        model.look()

    @rule(on=st.booleans())
    def the_supply(self, on: bool) -> None:
        self.to(self.hands, f"SUPP:MOT {int(on)}")
        self.model.power = on and not self.model.pressed
        self.model.look()

    @rule()
    def resets(self) -> None:
        model = self.model
        if model.moving:
            return
        model.armed.clear()
        model.loaded.clear()
        model.error.clear()
        model.opc = False
        self.send("*RST")


def test_the_card_agrees_with_the_model() -> None:
    with Station.build("heron", seed=1) as station:
        machine: Any = type("Machine", (StatusMachine,), {"station": station, "steps": 0})
        run_state_machine_as_test(
            machine,
            settings=settings(
                max_examples=240,
                stateful_step_count=50,
                deadline=None,
                suppress_health_check=list(HealthCheck),
            ),
        )
        assert machine.steps >= STEPS
