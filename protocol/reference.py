"""The reference of a role's words, made from their declarations."""

from __future__ import annotations

from ..errors import DryrigError, nearest
from .scpi import Channels, Command
from .station import ROLES
from .values import Number, Parameter
from .words_common import COMMON


def words_reference(role: str) -> str:
    """A markdown table of the words of a port, or of those of every port for role `common`.

    Raises DryrigError for a role there is none of.
    """
    if role == "common":
        commands = COMMON
    elif role in ROLES:
        commands = tuple(word for word in ROLES[role].commands if word not in COMMON)
    else:
        known = ("common", *ROLES)
        raise DryrigError(
            f"no port {role!r}: expected one of {', '.join(known)}{nearest(role, known)}"
        )
    lines = ["| word | what it does | parameters | replies |", "|---|---|---|---|"]
    for command in commands:
        lines.append(
            f"| {_forms(command)} | {_escape(command.help)}{_caution(command)} "
            f"| {_escape(_ranges(command))} | {_escape(command.replies)} |"
        )
    return "\n".join(lines) + "\n"


def _escape(text: str) -> str:
    return text.replace("|", "\\|").replace("*", "\\*")


def _caution(command: Command) -> str:
    return f" **Caution:** {_escape(command.caution)}" if command.caution else ""


def _forms(command: Command) -> str:
    forms = []
    if command.do is not None:
        forms.append(_form(command, "", command.takes))
    if command.ask is not None:
        forms.append(_form(command, "?", command.asks))
    return "<br>".join("`" + form.replace("|", "\\|") + "`" for form in forms)


def _form(command: Command, mark: str, parameters: tuple[Parameter, ...]) -> str:
    shown = ""
    for parameter in parameters:
        comma = "," if shown else ""
        shown += f"[{comma}{parameter.shown}]" if parameter.optional else comma + parameter.shown
    if command.channels is not Channels.NONE:
        shown += command.channels.value if shown else command.channels.value.replace(",", "", 1)
    return f"{command.header}{mark} {shown}".rstrip()


def _ranges(command: Command) -> str:
    numbers = [p for p in (*command.takes, *command.asks) if isinstance(p, Number)]
    return "; ".join(f"{number.name}: {number.range_text}" for number in numbers)
