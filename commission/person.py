"""Hands that are a person's: what to do and what to read is asked for at a terminal."""

from __future__ import annotations

import math
import re
import select
import sys
from collections.abc import Callable, Sequence

from rich.console import Console
from rich.live import Live
from rich.text import Text

from . import cautions
from .arm import Joint
from .errors import HandError
from .hand import Hold, Watch

# A reading as people write it: decimal point or comma, with or without its unit.
_READING = re.compile(
    r"^\s*([+-]?\d+(?:[.,]\d*)?|[+-]?[.,]\d+)\s*(m?V|k?ohm|deg|°|mm)?\s*$", re.IGNORECASE
)
_UNITS = {"deg": "degrees", "mm": "millimetres"}
_VERBS = {"deg": "Turn", "mm": "Move"}
_FEELS = {"f": "FREE", "s": "STIFF", "e": "STOP"}
# As it is asked for, and as meters show it.
_OVERLOAD = ("o", "ol", "o.l", "0l", "0.l")
_LIVE_PERIOD_S = 0.2


class PersonHand:
    """Asks the person at the arm; `ask` reads one line of their answer (default: the terminal)."""

    def __init__(
        self, console: Console | None = None, ask: Callable[[str], str] | None = None
    ) -> None:
        self._console = console or Console(stderr=True)
        self._ask = ask or self._from_terminal
        self._interactive = ask is None
        if self._interactive and not sys.stdin.isatty():
            raise HandError(
                "no hands: standard input is not a terminal, so nobody can be asked. Name a hands "
                "port, or run this at a terminal"
            )
        self._said: set[str] = set()
        self._clipped: tuple[str, str] | None = None
        # What was last asked for: nobody is asked for it again.
        self._stand_in: bool | None = None
        self._motor_on: bool | None = None

    def caution(self, text: str) -> None:
        """Said each time; the person confirms."""
        self._said.add(text)
        self._console.print(Text(f"Caution: {text}", style="bold"))
        self._ask("Press Enter when that is so: ")

    def turn(self, joint: Joint, deg: float, watch: Watch | None = None) -> str:
        """Ask for a turn, and for how it felt."""
        self._once(cautions.HANDS_ON)
        if joint.brake_n_m:
            self._once(cautions.BRAKE)
            self._do(f"Hold the lever of {joint.name}'s brake open.")
        self._do(
            f"{_VERBS[joint.unit]} {joint.name} by hand, by about {deg:+.0f} {_UNITS[joint.unit]} "
            f"({_sense(deg)} as the arm's drawing says).",
            watch,
        )
        while True:
            answer = self._ask("How did it feel? f = free, s = stiff, e = met an end stop [f]: ")
            felt = _FEELS.get((answer.strip().lower() or "f")[:1])
            if felt is not None:
                if joint.brake_n_m:
                    self._do(f"Let the lever of {joint.name}'s brake go.")
                return felt
            self._console.print(f"{answer.strip()!r} is none of f, s, e.", markup=False)

    def press(self, joint: Joint, watch: Watch | None = None) -> None:
        """Ask for a finger on the switch."""
        self._once(cautions.HANDS_ON)
        self._do(f"Press {joint.name}'s {_switch(joint)} and keep it pressed.", watch)

    def release(self, joint: Joint, watch: Watch | None = None) -> None:
        """Ask for the finger off."""
        self._do(f"Let {joint.name}'s {_switch(joint)} go.", watch)

    def look_deg(self, joint: Joint) -> float:
        """Ask for the angle by eye."""
        return self._number(
            f"By eye, against the arm's drawing: at how many {_UNITS[joint.unit]} does "
            f"{joint.name} stand? "
        )

    def zero_level(self, reversed_: bool = False) -> None:
        """Ask for the level on the base."""
        way = ", turned end for end," if reversed_ else ""
        self._do(f"Lay the level{way} on the arm's base, along the arm, and zero it there.")

    def level_deg(self, joint: Joint) -> float:
        """Ask for the level on a link."""
        self._once(cautions.LEVELLING)
        value = self._number(
            f"Lay the level along {joint.name}'s link, the way round it lies now. "
            "What does it read, up positive, degrees? "
        )
        self._do("Take the level off the arm again.")
        return value

    def mark_deg(self, joint: Joint) -> float | None:
        """Ask for the witness mark."""
        return self._number_or(
            f"{joint.name}'s witness mark: how far is the joint past it, positive as the drawing "
            f"says, {_UNITS[joint.unit]} (n = mark not in reach)? ",
            none=("n",),
        )

    def volts(self, red: str, black: str) -> float:
        """Ask for a reading of the meter, or for what it held while clipped on."""
        if (red, black) == self._clipped:
            self._clipped = None
            return self._number(
                f"It has moved. What does the meter hold, {red} to {black}? Volts? "
            )
        self._once(cautions.LIVE_VOLTS)
        return self._number(f"Meter on DC volts, red on {red}, black on {black}. Volts? ")

    def clip_on(self, red: str, black: str, hold: Hold) -> None:
        """Ask for the leads, clipped on and let go of."""
        self._once(cautions.LIVE_VOLTS)
        self._do(
            f"Clip the meter's leads on, red to {red}, black to {black}: DC volts, {hold} hold. "
            "Hands off and step back: the joint moves as you press Enter."
        )
        self._clipped = (red, black)

    def ohms(self, red: str, black: str) -> float:
        """Ask for a reading of ohms."""
        self._once(cautions.OHMS)
        value = self._number_or(
            f"Meter on ohms, one lead on {red}, the other on {black}. Ohms (o = overload)? ",
            none=_OVERLOAD,
        )
        return math.inf if value is None else value

    def main_supply(self, on: bool) -> None:
        """Ask for the switch of all supplies."""
        self._motor_on = None
        if on:
            self._do("Hands off the arm, leads off. Switch the main supply on.")
        else:
            self._console.print(Text(f"Caution: {cautions.SUPPORT}", style="bold"))
            self._do("Switch the main supply off, lock it, wait, and prove it dead.")

    def press_stop(self, pressed: bool) -> None:
        """Ask for the STOP button."""
        self._motor_on = None
        if pressed:
            self._do("Push the STOP button in.")
        else:
            self._do("Pull the STOP button out again. Leave the motor supply off.")

    def wiggle(self, joint: Joint, red: str, black: str) -> tuple[float, float]:
        """Ask for a wiggle with the meter on hold."""
        self._once(cautions.HANDS_ON)
        self._do(
            f"Meter on DC volts with min/max hold, red on {red}, black on {black}. Wiggle "
            f"{joint.name}'s cable and its plugs for a second or two."
        )
        return self._number("Least volts held? "), self._number("Greatest volts held? ")

    def motor_supply(self, on: bool) -> None:
        """Ask for the motor supply's switch, unless it stands as it should."""
        if on is self._motor_on:
            return
        self._motor_on = None
        if on:
            self._do("Hands off the arm. Switch the 24 V motor supply on.")
        else:
            self._console.print(Text(f"Caution: {cautions.SUPPORT}", style="bold"))
            self._do("Switch the 24 V motor supply off and lock it.")
        self._motor_on = on

    def stand(self, on: bool) -> None:
        """Ask for the stand, unless it is where it should be."""
        if on is self._stand_in:
            return
        self._stand_in = None
        if on:
            self._do("Put the stand under the links.")
        else:
            self._do("The drives hold the arm. Take the stand away and step back.")
        self._stand_in = on

    def plug(self, name: str, into: bool) -> None:
        """Ask for a plug, in or out."""
        if into:
            self._do(f"Leads off. Put plug {name} in again.")
        else:
            self._do(f"The main supply is off and proved dead: pull plug {name} out, at the part.")

    def measures_on(self, words: str, expected: Sequence[str]) -> bool:
        """Say what comes next and what it would tell, and ask whether to."""
        self._console.print(f"Worth measuring next: {words}.", markup=False, highlight=False)
        for side in expected:
            self._console.print(f"  {side}", markup=False, highlight=False)
        while True:
            answer = self._ask("Measure it? Enter = yes, n = leave it at that: ").strip().lower()
            if answer in ("", "y", "yes"):
                return True
            if answer in ("n", "no"):
                return False
            self._console.print(f"{answer!r} is neither.", markup=False)

    def close(self) -> None:
        """A person lets go unasked."""

    def _once(self, caution: str) -> None:
        if caution not in self._said:
            self._said.add(caution)
            self._console.print(Text(f"Caution: {caution}", style="bold"))

    def _do(self, what: str, watch: Watch | None = None) -> None:
        self._console.print(what, markup=False)
        if watch is not None:
            self._console.print(f"Now: {watch()}", markup=False)
            if self._interactive:
                self._show_live(watch)
                self._ask("")
                return
        self._ask("Press Enter when done: ")

    def _show_live(self, watch: Watch) -> None:
        """Keep the value on the screen until a key line is waiting on standard input."""
        with Live(Text(watch()), console=self._console, transient=True) as live:
            while not select.select([sys.stdin], [], [], _LIVE_PERIOD_S)[0]:
                live.update(Text(f"{watch()}   (Enter when done)"))

    def _number(self, question: str) -> float:
        value = self._number_or(question, none=())
        assert value is not None  # only an offered word gives None
        return value

    def _number_or(self, question: str, none: Sequence[str]) -> float | None:
        """A number, or None for one of the words `none`; asks again until it is one of them."""
        while True:
            answer = self._ask(question)
            if answer.strip().lower() in none:
                return None
            match = _READING.match(answer)
            if match is not None:
                scale = {"mv": 1e-3, "kohm": 1e3}.get((match[2] or "").lower(), 1.0)
                return float(match[1].replace(",", ".")) * scale
            self._console.print(
                f"{answer.strip()!r} is not a number such as 3.3 or -0.05.", markup=False
            )

    def _from_terminal(self, question: str) -> str:
        try:
            return self._console.input(Text(question))
        except EOFError:
            raise HandError("nobody answers: standard input has ended") from None


def _switch(joint: Joint) -> str:
    return "home switch" if joint.home_switch else "limit switch"


def _sense(deg: float) -> str:
    return "positive" if deg > 0 else "negative"
