"""A sample of the study of hidden faults, held against what README tables of the whole of it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from dryrig.faults import KINDS, enumerate_faults
from dryrig.scenes import load_scene
from dryrig.study import Finding, Tally, study_latency
from dryrig.study.reasons import reason_for
from dryrig.study.terminal import line_of, markdown

SCENE = load_scene("heron")
README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
PLACE = "J5"


def sample() -> list[str]:
    """One fault of each kind: the first at J5, or the first there is."""
    listed = list(enumerate_faults(SCENE))
    chosen = []
    for kind in KINDS:
        mine = [fault for fault in listed if fault.partition("@")[0] == kind]
        here = [fault for fault in mine if f"{PLACE}." in fault]
        chosen += (here or mine)[:1]
    return chosen


def tabled() -> dict[str, tuple[int, int, int]]:
    """Kinds of README's table: how many are seen, depend on the arm, are hidden."""
    rows = re.findall(r"^\| `(\w+)` \| \d+ \| (\d+) \| (\d+) \| (\d+) \|", README, re.M)
    return {kind: (int(seen), int(some), int(none)) for kind, seen, some, none in rows}


@pytest.fixture(scope="module")
def tally() -> Tally:
    return study_latency(SCENE, sample(), name="heron", arms=1)


def test_every_kind_of_the_sample_comes_out_as_readme_tables_it(tally: Tally) -> None:
    table = tabled()
    assert len(table) > 10
    for finding in tally.findings:
        kind = finding.fault.partition("@")[0]
        seen, some, none = table.get(kind, (1, 0, 0))
        if finding.seen:
            assert seen or some, f"{line_of(finding)}: {finding.told}"
        else:
            assert none or some, line_of(finding)
    counts = [tally.count(outcome) for outcome in ("distinguishable", "latent")]
    assert sum(counts) == len(tally.findings) == len(KINDS) - 1  # the Heron has no brake
    assert counts[0] > 25
    assert counts[1] > 5


def test_no_fault_of_the_sample_is_hidden_without_a_reason(tally: Tally) -> None:
    for finding in tally.hidden():
        assert finding.reason, finding.fault
        assert finding.reason.partition(" (")[0] in README, finding.reason


def test_the_table_counts_every_fault_of_the_heron_once() -> None:
    listed = list(enumerate_faults(SCENE))
    kinds = [fault.partition("@")[0] for fault in listed]
    for kind, counts in tabled().items():
        assert sum(counts) == kinds.count(kind)
    whole = re.search(r"^\| all \| (\d+) \| (\d+) \| (\d+) \| (\d+) \|", README, re.M)
    assert whole
    total, seen, some, none = map(int, whole.groups())
    assert total == len(listed) == seen + some + none


@pytest.mark.parametrize(
    ("fault", "why"),
    [
        ("resist@J1.SW.COM", r"no level of any input changes \(lowest high 3\.\d+ V, highest low"),
        ("resist@J1.SW.COM,ohm=1e9", r"^$"),  # an input that floats is no hidden one
        ("short@J2.ENC.A/J2.ENC.Z", r"does not use the index, .* \(lowest high 2\.5\d V"),
        ("short@J2.ENC.A/J2.ENC.B", r"^$"),
        ("weak@J4.MOTOR", r"load asks for less than is left \(0\.\d+ of 0\.090 N\.m"),
        ("weak@J2.MOTOR,current=0.05", r"^$"),
        ("strong@J5.MOTOR", r"no check takes a temperature, .* \(3\d deg C after 5 minutes\)$"),
        ("slow@J5.ENC,ohm=2e6", r"no check turns fast enough \(an edge is 1\d\d us late"),
        ("open@IO.SERVO", r"^the commissioning does not use the second card$"),
        ("frozen@CARD.IO.DI1", r"^the commissioning does not use the second card$"),
        ("short@IO.5V/RAIL.0V", r"^$"),
        ("sag@RAIL.3V3", r"stays \(3\.27 V of 3\.27 V\)$"),
        ("sag@RAIL.5V", r"^$"),
        ("frozen@CARD.J3.ENA,level=2", r"the drive is on too often only"),
        ("frozen@CARD.J3.ENA", r"^$"),
        (
            "bind@J3.GEAR,deg=-120",
            r"do not bring the joint there \(-90 to 33 deg; it binds at -120",
        ),
        ("bind@J3.GEAR,deg=-60", r"^$"),
        ("delay@LINE", r"every reply is there in time"),
        ("delay@LINE,s=20", r"^$"),
    ],
)
def test_a_reason_is_computed_from_the_parts(fault: str, why: str) -> None:
    assert re.search(why, reason_for(fault, SCENE))


def test_a_table_in_markdown() -> None:
    tally = Tally(
        [
            Finding("open@J1.DIR", (("x",), ("y",)), ""),
            Finding("open@J1.ENC.Z", ((), ()), "not used (0 V)"),
            Finding("shift@J1.SW", (("x",), ()), "tolerance"),
            Finding("drop@LINE", (("x",), ("y",)), ""),
        ]
    )
    text = markdown(tally)
    assert "| `open` | 2 | 1 | 0 | 1 | not used |" in text
    assert "| `shift` | 1 | 0 | 1 | 0 | tolerance |" in text
    assert "| all | 4 | 2 | 1 | 1 | |" in text
    assert text.endswith("Always seen: `drop`.\n")
    assert (
        line_of(tally.findings[2])
        == "shift@J1.SW: depends on the arm (1 of 2 arms show it): tolerance"
    )
