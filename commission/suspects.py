"""From symptoms to suspected faults, ranked, each with its reason.

The rules follow how small stepper arms fail (common practice, no published source). A suspect is
`KIND@PLACE`. Parts that explain the evidence equally well stand together, so that the reader sees
the class; a reading that splits the class moves its member up.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from . import suspects_cold as cold
from . import suspects_drive as drives
from . import suspects_inputs as inputs
from . import suspects_meter as meters
from . import suspects_stop as stops
from .findings import Check, Kind
from .suspect import Rule, Suspect

RULES: Mapping[Kind, Rule] = {
    Kind.METER: meters.meter,
    Kind.SHORTED: cold.shorted,
    Kind.COILS: cold.coils,
    Kind.RAIL: inputs.rail,
    Kind.FAR_END: inputs.far_end,
    Kind.LINK: inputs.line,
    Kind.TURN_STIFF: drives.stiff,
    Kind.COUNT_CLIMBS: inputs.count_climbs,
    Kind.COUNT_DEAD: inputs.count_dead,
    Kind.COUNT_BACKWARDS: inputs.count_backwards,
    Kind.COUNT_AMOUNT: inputs.count_amount,
    Kind.COUNT_ELSEWHERE: inputs.crossed(("ENC.A", "ENC.B"), "the counts", "ENC"),
    Kind.SWITCH_DEAD: inputs.switch_dead,
    Kind.SWITCH_INVERTED: inputs.switch_inverted,
    Kind.SWITCH_FLOATS_AT_REST: inputs.switch_rest,
    Kind.SWITCH_FLOATS_PRESSED: inputs.switch_pressed,
    Kind.SWITCH_LINGERS: inputs.switch_lingers,
    Kind.SWITCH_SHORTS: inputs.switch_shorts,
    Kind.SWITCH_ELSEWHERE: inputs.crossed(("SW.COM",), "the switch inputs", "SW"),
    Kind.STOP_CIRCUIT: stops.stop,
    Kind.JOG_NONE: drives.drive,
    Kind.JOG_SAME_WAY: drives.drive,
    Kind.JOG_REVERSED: drives.reversed,
    Kind.JOG_OTHER_JOINT: inputs.crossed(
        ("MOTOR.A+", "MOTOR.A-", "MOTOR.B+", "MOTOR.B-"), "the motors", "MOTOR"
    ),
    Kind.JOG_SCALE: drives.scale,
    Kind.JOG_RUNAWAY: drives.ran_away,
    Kind.LOOSE: drives.loose,
    Kind.SINKS: drives.sinks,
    Kind.JOG_SHORT: drives.jog_short,
    Kind.HOME_NO_EDGE: drives.no_edge,
    Kind.HOME_NO_RELEASE: drives.no_release,
    Kind.SWEEP_BINDS: drives.binds,
    Kind.WIGGLE: inputs.wiggled,
    Kind.INDEX_COUNTS: inputs.index_counts,
    Kind.HOME_NO_INDEX: inputs.no_index,
    Kind.REPEAT: drives.disagrees,
    Kind.HOME_LOST: drives.lost,
    Kind.HOME_SCATTER: drives.scatter,
    Kind.TRIM_RANGE: drives.shifted,
    Kind.TRIM_RESIDUE: drives.shifted,
    Kind.TRIM_SIDES: drives.play,
}


def rank(checks: Iterable[Check]) -> list[Suspect]:
    """Every suspect for all symptoms, strongest first; equal faults are merged."""
    best: dict[str, Suspect] = {}
    met: dict[str, int] = {}
    for check in checks:
        for symptom in check.symptoms:
            rule = RULES.get(symptom.kind)
            for suspect in rule(symptom) if rule else []:
                met[suspect.fault] = met.get(suspect.fault, 0) + 1
                known = best.get(suspect.fault)
                if known is None or suspect.weight > known.weight:
                    best[suspect.fault] = suspect
    # Among equals, what explains more symptoms comes first.
    return sorted(best.values(), key=lambda s: (-s.weight, -met[s.fault]))
