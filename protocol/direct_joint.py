"""One axis of an in-process rig as Python."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from ..sim.axis import Edge, Latch
from ..sim.card import Card

if TYPE_CHECKING:
    from ..sim.rig import Rig


class DirectJoint:
    """One axis of the card and what it is wired to: `rig.joint("J5")`.

    Steps are commanded steps, counts those of the encoder's counter; nothing here knows degrees.
    """

    def __init__(self, use: Callable[[], Rig], axis: int, name: str) -> None:
        self._use, self._axis = use, axis
        self.name = name

    def __repr__(self) -> str:
        return f"<joint {self.name}>"

    def _act(self, action: Callable[[Card], None]) -> None:
        """Let the card do it, and whoever watches the card's state notice."""
        rig = self._use()
        action(rig.card)
        rig.notify()

    @property
    def enabled(self) -> bool:
        """The card's ENABLE output; can be set. Off lets a limp link fall."""
        return self._use().card.enabled(self._axis)

    @enabled.setter
    def enabled(self, on: bool) -> None:
        self._act(lambda card: card.enable(self._axis, on))

    @property
    def rate(self) -> float:
        """The rate that moves and runs climb to, steps/s; can be set."""
        return self._use().card.rate(self._axis)

    @rate.setter
    def rate(self, steps_per_s: float) -> None:
        self._use().card.set_rate(self._axis, steps_per_s)

    @property
    def acceleration(self) -> float:
        """The ramp, steps/s²; can be set."""
        return self._use().card.acceleration(self._axis)

    @acceleration.setter
    def acceleration(self, steps_per_s2: float) -> None:
        self._use().card.set_acceleration(self._axis, steps_per_s2)

    @property
    def steps(self) -> int:
        """Commanded steps; can be set, which moves nothing."""
        return self._use().card.steps(self._axis)

    @steps.setter
    def steps(self, value: int) -> None:
        self._use().card.preset_steps(self._axis, value)

    @property
    def counts(self) -> int:
        """The encoder counter (X4); can be set."""
        return self._use().card.count(self._axis)

    @counts.setter
    def counts(self, value: int) -> None:
        self._use().card.preset_count(self._axis, value)

    @property
    def level(self) -> int:
        """The switch input, 1 while pressed on a sound arm."""
        return self._use().card.level(self._axis)

    @property
    def moving(self) -> bool:
        """Whether pulses are going out."""
        return self._use().card.moving(self._axis)

    @property
    def latch(self) -> Latch:
        """What was caught at the edge that halted the axis: hit, count, step, tick."""
        return self._use().card.latch(self._axis)

    def pins(self) -> dict[str, int]:
        """Levels at the card now: `DIR ENA SW ENC.A ENC.B ENC.Z`."""
        rig = self._use()
        rig.catch_up()
        counter, settings = rig.counters[self._axis], rig.harness.settings
        return {
            "DIR": settings[f"{self.name}.DIR"],
            "ENA": settings[f"{self.name}.ENA"],
            "SW": rig.level(self._axis),
            "ENC.A": counter.levels[0],
            "ENC.B": counter.levels[1],
            "ENC.Z": counter.index_level,
        }

    def move(self, steps: int) -> None:
        """Start a move by so many steps. Raises `CardBusy` while the axis moves."""
        self._act(lambda card: card.move(self._axis, steps))

    def run(self, sign: int) -> None:
        """Run until halted or aborted, up (1) or down (-1). Raises `CardBusy`."""
        self._act(lambda card: card.run(self._axis, sign))

    def jog(self, steps_per_s: float) -> None:
        """Run at this signed rate, or change to it on the run; 0 ends it. Raises `CardBusy`."""
        self._act(lambda card: card.jog(self._axis, steps_per_s))

    def abort(self) -> None:
        """Slow down to rest."""
        self._act(lambda card: card.abort(self._axis))

    def halt_on(self, edge: Edge | None) -> None:
        """Halt at the next such edge ("RISE", "FALL", "INDEX") of this axis; None disarms."""
        self._act(lambda card: card.arm_halt(self._axis, edge))
