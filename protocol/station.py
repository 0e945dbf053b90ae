"""One rig with its faults and its three ports."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Self

from ..closing import Closing
from ..errors import SceneError
from ..faults.inject import Injector
from ..scenes import load_scene
from ..sim.rig import Rig
from .dialect import ScpiDialect
from .grammars import find_grammar, grammar_name
from .line_trace import LineTrace
from .port import Port
from .words_card import CARD
from .words_hands import HANDS
from .words_io import IO_WORDS
from .words_teacher import TEACHER

if TYPE_CHECKING:
    from .dialect import DialectFactory

ROLES = {words.role: words for words in (CARD, HANDS, TEACHER, IO_WORDS)}


def no_port(role: str, scene: str) -> str:
    """Why a scene has no port of a role, and the way out."""
    return f"{scene} has no {role} port: it has no second card; add a table [io] to the scene"


class Station(Closing):
    """A rig, what injects faults into it, and its ports by role.

    The port `io` is there when the scene has a second card.

    `pace` is rig seconds a second, for whoever paces the rig; with `lockstep` bytes alone move its
    time (`intake.Lockstep`). With `writes_files` off the teacher's `TRACe:SAVE` writes nothing.
    `card_dialect` puts another grammar on the card's port; `grammar` is its name, None for the
    default one.
    Faults are inserted before the first byte; FaultError if one cannot be.
    """

    def __init__(
        self,
        rig: Rig,
        faults: Iterable[str] = (),
        *,
        pace: float = 1.0,
        card_dialect: DialectFactory | None = None,
    ) -> None:
        self.rig = rig
        self.grammar = None if card_dialect is None else grammar_name(card_dialect)
        self.pace = pace
        self.lockstep = False
        self.writes_files = True
        self.injector = Injector(rig)
        for fault in faults:
            self.injector.insert(fault)
        self.ports = {
            role: self._port(role, card_dialect)
            for role in ROLES
            if role != IO_WORDS.role or rig.io is not None
        }

    @classmethod
    def build(
        cls,
        scene: str | Path,
        *,
        seed: int = 0,
        faults: Iterable[str] = (),
        start_pose_deg: Sequence[float] | None = None,
        card_dialect: DialectFactory | str | None = None,
    ) -> Self:
        """A station with a rig of its own. `card_dialect` may be a name for `find_grammar`.

        Raises SceneError, FaultError or GrammarError.
        """
        if isinstance(card_dialect, str):
            card_dialect = find_grammar(card_dialect)
        loaded = load_scene(scene)
        try:
            rig = Rig(loaded, seed, start_pose_deg=start_pose_deg)
        except SceneError:
            raise
        except ValueError as error:
            raise SceneError(str(error)) from None
        try:
            return cls(rig, faults, card_dialect=card_dialect)
        except BaseException:
            rig.close()
            raise

    def _port(self, role: str, card_dialect: DialectFactory | None) -> Port:
        on_card = role == "card"
        if on_card and card_dialect is not None:
            factory = card_dialect
        else:
            factory = lambda _rig, wake_at: ScpiDialect(self, ROLES[role], wake_at)  # noqa: E731
        # Only the card hangs on a cable that can be bad; a person needs none.
        line = (lambda: self.injector.line) if on_card else None
        return Port(role, self.rig, factory, line, LineTrace(self.rig) if on_card else None)

    def close(self) -> None:
        """Detach the ports and give the rig back."""
        for port in self.ports.values():
            port.detach()
        self.rig.close()
