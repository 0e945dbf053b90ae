"""Homes J4 and J5 of a Heron over a serial port: the wrist, both joints at once.

Fast to the switch, back off, slowly to it again; step 0 is where the slow search met its edge.
"""

import time
from itertools import cycle

AXES = (4, 5)
STEPS_PER_DEG = {4: 200 * 16 * 16 / 360, 5: 200 * 16 * 18 / 360}
TOWARDS = {4: -1, 5: 1}  # sign of steps towards the switch
TRAVEL_DEG = {4: 345, 5: 215}
COUNTS_PER_STEP = 4000 / 3200
FAST_DEG_S, SLOW_DEG_S, BACK_OFF_DEG = 30, 1.5, 4


class HomingError(Exception):
    """Homing ended without a home; nothing moves any more."""


class Link:
    """Questions and answers that belong together, over a line that may be late or lose some."""

    def __init__(self, port):
        self.port = port
        self.numbers = cycle(range(1, 256))
        self.begun = b""  # of a reply whose end is still on its way

    def ask(self, line, tries=4):
        number = next(self.numbers)
        for _ in range(tries):
            self.port.write(f"*ESE {number};:{line};*ESE?\n".encode())
            while part := self.port.readline():
                self.begun += part
                if not part.endswith(b"\n"):
                    continue
                reply, self.begun = self.begun, b""
                *fields, last = reply.decode("ascii", "replace").strip().split(";")
                if last == str(number):
                    return fields
        raise HomingError(f"no answer to {line}")

    def integers(self, line, how_many=2):
        fields = ",".join(self.ask(line)).split(",")
        try:
            found = [int(float(field)) for field in fields]
        except ValueError:
            found = []
        if len(found) != how_many:
            raise HomingError(f"{line}: {how_many} numbers expected, got {fields}")
        return found

    def tell(self, line, expected):
        """A setting, and that it arrived."""
        query = line.split(" ")[0] + "? " + line.split(",", 1)[1]
        got = self.ask(f"{line};:{query}")[0].split(",")
        if any(abs(float(each) - expected) > 0.01 * abs(expected) for each in got):
            raise HomingError(f"{line}: the card has {got}")


def home(port):
    link = Link(port)
    try:
        home_axes(link)
    except (HomingError, ValueError) as error:
        stop(link)
        raise HomingError(str(error)) from None


def stop(link):
    for _ in range(5):
        link.port.write(b"\nABOR;:HALT:EDGE OFF,(@4,5)\n")


def home_axes(link):
    for axis in AXES:
        link.tell(f"STEP:ACC {200 * STEPS_PER_DEG[axis]:.0f},(@{axis})", 200 * STEPS_PER_DEG[axis])
    link.tell("DRIV:ENAB 1,(@4,5)", 1)
    time.sleep(0.3)
    pressed = [axis for axis, level in zip(AXES, levels(link), strict=True) if level]
    if pressed:
        go(link, {axis: -TOWARDS[axis] * (BACK_OFF_DEG + 6) for axis in pressed}, FAST_DEG_S)
        released(link, pressed)
    start = positions(link)
    fast = search(link, {axis: TRAVEL_DEG[axis] for axis in AXES}, FAST_DEG_S)
    steps, _ = positions(link)
    back = {
        axis: (fast[axis][0] - steps[axis]) / STEPS_PER_DEG[axis] - TOWARDS[axis] * BACK_OFF_DEG
        for axis in AXES
    }
    go(link, back, FAST_DEG_S / 2)
    released(link, AXES)
    slow = search(link, dict.fromkeys(AXES, 2 * BACK_OFF_DEG), SLOW_DEG_S)
    for axis in AXES:
        apart = (slow[axis][0] - fast[axis][0]) / STEPS_PER_DEG[axis]
        if abs(apart) > 0.5:
            raise HomingError(f"J{axis}: fast and slow edge lie {apart:.2f} degrees apart")
        made, counted = slow[axis][0] - start[0][axis], slow[axis][1] - start[1][axis]
        if abs(made * COUNTS_PER_STEP - counted) > 60:
            raise HomingError(f"J{axis}: {made} steps commanded, {counted} counts seen")
    for axis in AXES:
        steps, _ = positions(link)
        link.tell(f"STEP:COUN {steps[axis] - slow[axis][0]},(@{axis})", steps[axis] - slow[axis][0])
    after, _ = positions(link)
    if any(abs(after[axis]) > STEPS_PER_DEG[axis] for axis in AXES):
        raise HomingError(f"steps read {after} at home")


def levels(link):
    return link.integers("SWIT:LEV? (@4,5)")


def positions(link):
    numbers = link.integers("STEP:COUN? (@4,5);:ENC:COUN? (@4,5)", 4)
    return dict(zip(AXES, numbers[:2], strict=True)), dict(zip(AXES, numbers[2:], strict=True))


def search(link, bounds_deg, deg_s):
    """Towards the switches, each axis until its edge; step and count of the edges."""
    for axis in AXES:
        link.tell(
            f"STEP:RATE {deg_s * STEPS_PER_DEG[axis]:.0f},(@{axis})", deg_s * STEPS_PER_DEG[axis]
        )
    link.ask("HALT:EDGE RISE,(@4,5)")
    for axis in AXES:
        link.ask(f"STEP:RUN {'POS' if TOWARDS[axis] > 0 else 'NEG'},(@{axis})")
    wait(link, max(bounds_deg.values()) / deg_s + 2)
    found = {}
    for axis in AXES:
        hit, edge_count, step, _ = link.integers(f"HALT:LATC? (@{axis})", 4)
        if not hit:
            raise HomingError(f"J{axis}: no edge")
        found[axis] = step, edge_count
    for _ in range(3):
        if levels(link) != [1, 1]:
            raise HomingError("a switch that halted its axis is not pressed")
        time.sleep(0.007)
    return found


def go(link, moves_deg, deg_s):
    """Moves by so many degrees, all axes named at one instant."""
    link.ask("HALT:EDGE OFF,(@4,5)")
    for axis, deg in moves_deg.items():
        link.tell(
            f"STEP:RATE {deg_s * STEPS_PER_DEG[axis]:.0f},(@{axis})", deg_s * STEPS_PER_DEG[axis]
        )
        steps = round(deg * STEPS_PER_DEG[axis])
        link.tell(f"STEP:LOAD {steps},(@{axis})", steps)
    link.ask("STEP:STAR")
    wait(link, max(abs(deg) for deg in moves_deg.values()) / deg_s + 2)


def wait(link, limit_s):
    """Until no axis moves; stops them after `limit_s`."""
    end = time.monotonic() + limit_s
    while any(link.integers("WAIT? 0.2;:STEP:MOV? (@4,5)", 3)[1:]):
        if time.monotonic() > end:
            raise HomingError(f"motion has not ended within {limit_s:.0f} s")


def released(link, axes):
    now = dict(zip(AXES, levels(link), strict=True))
    for axis in axes:
        if now[axis]:
            raise HomingError(f"J{axis}: backed off, and the switch still reads pressed")
