"""What a teacher sets and sees; no routine under test ever uses this port."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..errors import nearest
from .scpi import Channels, Command, Words
from .status import ScpiError, quoted
from .values import Number, Text, joined, real
from .words_common import common, gripper_of

if TYPE_CHECKING:
    from .dialect import ScpiDialect

PACE_LOW = 0.01
PACE_HIGH = 1000.0
SCHEDULE_LIMIT_S = 1e6


def _insert(session: ScpiDialect, fault: str) -> None:
    session.station.injector.insert(fault)


def _remove(session: ScpiDialect, fault: str) -> None:
    session.station.injector.remove(fault)


def _change(session: ScpiDialect, fault: str, into: str) -> None:
    session.station.injector.change(fault, into)


def _schedule(session: ScpiDialect, fault: str, at_s: float) -> None:
    session.station.injector.schedule(fault, at_s)


def _scheduled(session: ScpiDialect) -> str:
    due = session.station.injector.scheduled()
    return joined([f"{quoted(fault)},{at_s:.7f}" for fault, at_s in due]) or quoted("")


def _clear(session: ScpiDialect) -> None:
    session.station.injector.clear()


def _listed(session: ScpiDialect) -> str:
    faults = session.station.injector.listed()
    return joined([quoted(fault) for fault in faults]) or quoted("")


def _angles(session: ScpiDialect, axes: list[int]) -> str:
    truth = session.rig.truth_deg()
    return joined([f"{truth[axis] + 0.0:.6f}" for axis in axes])


def _closest(session: ScpiDialect) -> str:
    closest = session.rig.closest()
    if closest is None:
        raise ScpiError(-221, "nothing of this arm can touch anything: its URDF has no shapes")
    return f"{1e3 * closest[0] + 0.0:.2f},{quoted(closest[1])}"


def _true_grip(session: ScpiDialect) -> str:
    gripper = gripper_of(session)
    return f"{gripper.gap_mm():.6f},{gripper.force_n():.6f}"


def _drawn(session: ScpiDialect, prefix: str | None) -> str:
    drawn = session.rig.drawn()
    pairs = [
        f"{quoted(name)},{real(value)}"
        for name, value in drawn.items()
        if name.startswith(prefix or "")
    ]
    if prefix and not pairs:
        raise ScpiError(-224, f"{prefix[:40]}: no drawn figure begins so{nearest(prefix, drawn)}")
    return joined(pairs)


def _set_pace(session: ScpiDialect, pace: float) -> None:
    session.station.pace = pace


def _start_trace(session: ScpiDialect) -> None:
    session.rig.trace.start()


def _stop_trace(session: ScpiDialect) -> None:
    session.rig.trace.stop()


def _save_trace(session: ScpiDialect, file: str, signals: str | None) -> None:
    if session.station.writes_files:
        session.rig.trace.save(file, [signals] if signals else ())


def _hash(session: ScpiDialect) -> str:
    if not session.rig.trace.started:
        raise ScpiError(-221, "no trace yet: TRACe:STARt first")
    return quoted(f"{session.rig.trace.edges},{session.rig.trace.digest()}")


_FAULT = (Text("fault"),)

TEACHER = Words(
    role="teacher",
    pending=lambda session: False,
    events=lambda session: session.rig.card.events + session.rig.hands.events,
    reset=lambda session: None,
    commands=(
        *common("nothing: faults, pace and trace stay as they are"),
        Command("FAULt:INSert", 'puts a fault in, such as "open@J3.DIR"', do=_insert, takes=_FAULT),
        Command(
            "FAULt:CHANge",
            "puts another fault in the place of one that is in, at one instant",
            do=_change,
            takes=(Text("fault"), Text("into")),
        ),
        Command(
            "FAULt:REMove",
            "takes that fault away, or off the schedule",
            do=_remove,
            takes=_FAULT,
        ),
        Command("FAULt:CLEar", "takes all faults away, and off the schedule", do=_clear),
        Command(
            "FAULt:SCHedule",
            "puts a fault in at that rig time; asked, the faults to come and their times",
            do=_schedule,
            ask=_scheduled,
            takes=(Text("fault"), Number("time", "s", 0.0, SCHEDULE_LIMIT_S)),
            replies='"fault",s,... or ""',
        ),
        Command(
            "FAULt:LIST", "the faults that are in", ask=_listed, replies='"fault","fault",... or ""'
        ),
        Command(
            "TRUTh:ANGLe",
            "the true joint angles",
            ask=_angles,
            channels=Channels.ANY,
            replies="deg, 6 decimals",
        ),
        Command(
            "TRUTh:GAP",
            "the least gap between links, or with the table, and whose it is",
            ask=_closest,
            replies='mm (500 at most),"name and name"',
        ),
        Command(
            "TRUTh:GRIPper",
            "the true gap between the fingers, and their force on what is between them",
            ask=_true_grip,
            replies="mm,N",
        ),
        Command(
            "SEED",
            "the seed of this arm",
            ask=lambda session: str(session.rig.seed),
            replies="whole number",
        ),
        Command(
            "DRAWn",
            "what the seed drew for this arm, by the scene's paths; with a text those that begin "
            "with it",
            ask=_drawn,
            asks=(Text("prefix", optional=True),),
            replies='"name",value,...',
        ),
        Command(
            "PACE",
            "rig seconds a second; acts on a served rig only",
            do=_set_pace,
            ask=lambda session: real(session.station.pace),
            takes=(Number("pace", "", PACE_LOW, PACE_HIGH),),
            replies="number",
        ),
        Command("TRACe:STARt", "starts a trace anew: pins, joints, volts", do=_start_trace),
        Command("TRACe:STOP", "ends the trace; what it holds stays", do=_stop_trace),
        Command(
            "TRACe:SAVE",
            'writes the trace to a .vcd or .csv file: the usual signals, or those such as "J4.*"',
            do=_save_trace,
            takes=(Text("file"), Text("signals", optional=True)),
        ),
        Command(
            "TRACe:HASH",
            "edges of all pins since the trace began, and their SHA-256",
            ask=_hash,
            replies='"edges,sha256"',
        ),
    ),
)
