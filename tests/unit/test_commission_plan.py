"""The plan of a commissioning: one check alone, skipped with a reason, stopped and resumed."""

from __future__ import annotations

import json
import re
import tomllib
from contextlib import closing
from pathlib import Path

import jsonschema
import pytest

import dryrig.commission.report as reports
from dryrig.commission import cautions
from dryrig.commission.arm import load_arm
from dryrig.commission.calibration import read_calibration
from dryrig.commission.errors import CalibrationError, PlanError
from dryrig.commission.hand import PortHand
from dryrig.commission.plan import NAMES, PLAN, Options
from dryrig.commission.report import render, write_report
from dryrig.commission.result import Result
from dryrig.commission.run import commission
from dryrig.scenes import scene_path

ARM = scene_path("heron")
SCHEMA = json.loads((Path(reports.__file__).parent / "report.schema.json").read_text())
USUAL = [step.name for step in PLAN if not step.thorough]


def run(seed: int = 3, fault: str = "", **asked: object) -> Result:
    url = f"dryrig://heron?seed={seed}&rig=plan" + (f"&fault={fault}" if fault else "")
    with closing(PortHand.open(f"{url}&port=hands")) as hand:
        result = commission(url, hand, ARM, options=Options(**asked))  # type: ignore[arg-type]
    jsonschema.validate(
        json.loads(json.dumps(result.to_json(), allow_nan=False)),
        SCHEMA,
        format_checker=jsonschema.FormatChecker(),
    )
    return result


def names(result: Result, verdict: str = "pass") -> list[str]:
    return list(dict.fromkeys(c.name for c in result.checks if c.verdict == verdict))


def test_the_schema_is_one_and_would_notice() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    plain = Result("pass", "arm").to_json()
    jsonschema.validate(plain, SCHEMA)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(plain | {"verdict": "fine"}, SCHEMA)


@pytest.mark.parametrize("name", [name for name in USUAL if name not in ("trim", "repeat")])
def test_each_check_can_be_run_alone_and_is_no_whole_pass(name: str) -> None:
    result = run(only=(name,))
    assert names(result) == [name]
    assert (result.verdict, result.exit_code) == ("passed in part", 0)
    assert result.reason == f"not done: {', '.join(n for n in USUAL if n != name)}"
    assert result.calibration == ""


def test_a_check_left_out_is_told_with_its_reason() -> None:
    result = run(skip={"jogs": "no room"})
    (jogs,) = [check for check in result.checks if check.name == "jogs"]
    assert (jogs.verdict, jogs.evidence) == ("skipped", "skipped: no room")
    assert (result.verdict, result.reason) == ("passed in part", "not done: jogs")
    page = render(result)
    assert "passed in part" in page
    assert "skipped: no room" in page


@pytest.mark.parametrize(
    ("asked", "text"),
    [
        ({"only": ("lnk",)}, r"^only: got 'lnk'; expected one of .*; is 'link' meant\?$"),
        ({"skip": {"jogs": " "}}, r'^skip jogs: no reason given; expected jogs="why"$'),
        (
            {"only": ("jogs",), "skip": {"jogs": "x"}},
            r"^jogs is both in only and in skip; leave one out$",
        ),
        (
            {"only": ("trim",)},
            r"^trim needs joints homed in the same run: expected only homing,trim$",
        ),
    ],
)
def test_what_contradicts_itself(asked: dict[str, object], text: str) -> None:
    with pytest.raises(PlanError, match=text):
        Options(**asked)  # type: ignore[arg-type]


def test_the_thorough_ones_pass_on_a_sound_arm() -> None:
    result = run(seed=4, thorough=True, only=("sweep", "wiggle", "homing", "index", "load"))
    assert names(result) == ["sweep", "wiggle", "homing", "index", "load"]
    indexes = [check for check in result.checks if check.name == "index"]
    assert len(indexes) == 6
    for check in indexes:
        # 4000 counts a turn of the disc, by the scene; both ends are edges of the same index.
        assert check.verdict == "pass"
        for said in re.findall(r"(\d+) counts", check.evidence):
            assert int(said) % 4000 in (0, 1, 2, 3998, 3999)


@pytest.mark.parametrize(
    ("fault", "check"),
    [
        ("bind@J3.GEAR,deg=-60", "sweep"),
        ("open@J5.SW.NC,wiggle=1", "wiggle"),
        ("dirt@J2.ENC", "index"),
    ],
)
def test_the_thorough_ones_find_what_they_are_for(fault: str, check: str) -> None:
    only = (check,) if check != "index" else ("homing", "index")
    result = run(fault=fault, thorough=True, only=only)
    failed = {(c.name, c.joint) for c in result.checks if c.failed}
    joint = fault.partition("@")[2][:2]
    assert (check, joint) in failed or (check == "index" and ("homing", joint) in failed)


@pytest.mark.parametrize(
    ("fault", "plug"),
    [
        ("short@J1.SW.COM/RAIL.24V", "J1.SW"),
        ("short@J3.DRIVE.0V/RAIL.5V", "J3.DRIVE"),
        ("short@J6.OPTO0V/RAIL.3V3", "J6.INPUTS"),
        ("short@RAIL.24V/RAIL.0V", ""),
    ],
)
def test_plugs_are_pulled_until_a_short_is_gone(fault: str, plug: str) -> None:
    """By common practice; all are in again at the end."""
    url = f"dryrig://heron?seed=3&rig=pulled&fault={fault}"
    out: set[str] = set()
    with closing(PortHand.open(f"{url}&port=hands")) as hand:
        pull = hand.plug

        def noted(name: str, into: bool) -> None:
            pull(name, into)
            (out.discard if into else out.add)(name)

        hand.plug = noted  # type: ignore[method-assign]
        result = commission(url, hand, ARM)
    assert out == set()
    (failed,) = [check for check in result.checks if check.failed and check.joint is None]
    told = f"is gone with plug {plug} out" if plug else "stays with the plugs of all joints out"
    assert f"; the short {told}" in failed.evidence
    assert failed.symptoms[0].joint == (plug[:2] or None)


@pytest.mark.parametrize(
    ("fault", "first"),
    [
        ("open@J2.MOTOR.A+", "open@J2.MOTOR.A+"),
        ("swap@J4.MOTOR.A-/J4.MOTOR.B+", "swap@J4.MOTOR.A-/J4.MOTOR.B+"),
        ("short@J3.MOTOR.A+/J3.MOTOR.A-", "short@J3.MOTOR.A+/J3.MOTOR.A-"),
        ("short@RAIL.24V/RAIL.0V", "short@RAIL.24V/RAIL.0V"),
        ("short@J5.ENC.5V/J5.ENC.0V", "short@J5.ENC.5V/J5.ENC.0V"),
        ("swap@J2.SW.COM/J2.SW.NO", "swap@J2.SW.COM/J2.SW.NO"),
    ],
)
def test_the_cold_check_names_it_before_power(fault: str, first: str) -> None:
    """CP6, CP8 and the variant of CP19 of the trade's table: common practice, no source."""
    result = run(fault=fault)
    assert names(result, "fail")[0] == "cold"
    assert result.suspects[0].fault == first
    if "MOTOR" not in fault:
        assert names(result) == ["cold"]  # the coils; nothing was powered
        assert "no power before that is mended" in next(
            check.evidence for check in result.checks if check.name == "rails"
        )


def test_a_run_is_gone_on_with_after_a_repair(tmp_path: Path) -> None:
    state = tmp_path / "state.json"
    first = run(fault="open@J3.DIR", resume=state)
    assert first.verdict == "findings"
    told: list[str] = []
    url = "dryrig://heron?seed=3&rig=mended"
    with closing(PortHand.open(f"{url}&port=hands")) as hand:
        hand.caution = told.append  # type: ignore[method-assign]
        second = commission(url, hand, ARM, options=Options(resume=state))
    assert second.verdict == "pass"
    assert told[:2] == [cautions.SUPPORT, cautions.AFTER_REPAIR]
    # What was sound before the fault is kept; power was off, so what it touches is done again.
    assert re.fullmatch(r"kept from [-0-9T:+]+: encoders, switches, stop", second.kept)
    assert f"Checks {second.kept}" in render(second)
    jsonschema.validate(second.to_json(), SCHEMA)


def test_a_run_that_has_ended_is_begun_anew(tmp_path: Path) -> None:
    """Or another arm passed by the first one's evidence, its joints never homed."""
    state = tmp_path / "state.json"
    assert run(resume=state, only=("rails", "homing")).verdict == "passed in part"
    told: list[str] = []
    url = "dryrig://heron?seed=8&rig=another"
    with closing(PortHand.open(f"{url}&port=hands")) as hand:
        options = Options(resume=state, only=("rails", "homing"))
        again = commission(url, hand, ARM, told.append, options=options)
    assert again.kept == ""
    assert {text.partition(":")[0] for text in told} == {"rails", "homing"}
    assert all(joint.angle_deg is not None for joint in again.joints)


def test_a_stopped_run_goes_on_where_it_was(tmp_path: Path) -> None:
    state = tmp_path / "state.json"
    url = "dryrig://heron?seed=3&rig=stopped"
    seen: list[str] = []

    def until_jogs(text: str) -> None:
        if text.startswith("jogs"):
            raise KeyboardInterrupt

    with closing(PortHand.open(f"{url}&port=hands")) as hand:
        with pytest.raises(KeyboardInterrupt):
            commission(url, hand, ARM, until_jogs, options=Options(resume=state))
        result = commission(url, hand, ARM, seen.append, options=Options(resume=state))
    assert result.verdict == "pass"
    assert seen[0] == f"resume: {result.kept}"
    assert seen[1].partition(":")[0] == "jogs"
    assert names(result) == USUAL


def test_a_state_that_cannot_be_written_is_told_before_anything_is_done(tmp_path: Path) -> None:
    url = "dryrig://heron?seed=3&rig=unwritten"
    seen: list[str] = []
    with closing(PortHand.open(f"{url}&port=hands")) as hand:
        options = Options(resume=tmp_path / "none" / "state.json")
        result = commission(url, hand, ARM, seen.append, options=options)
    assert result.verdict == "could not run"
    assert result.reason.startswith(f"cannot write the state to '{tmp_path}/none/state.json': ")
    assert (seen, result.checks) == ([], [])


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("{", r"is no state of a run: .* Name another file, or delete it to begin anew$"),
        ('{"schema": 2}', r"schema 2, expected 1\. Name another file"),
        (
            '{"schema": 1, "arm": "crane", "done": [], "checks": [], "date": ""}',
            r"is of the arm 'crane', and this is 'heron'\.",
        ),
    ],
)
def test_a_state_that_is_none(text: str, told: str, tmp_path: Path) -> None:
    state = tmp_path / "state.json"
    state.write_text(text)
    result = run(resume=state)
    assert result.verdict == "could not run"
    assert re.search(told, result.reason)


def test_the_calibration_starts_the_next_run(tmp_path: Path) -> None:
    result = run()
    write_report(result, tmp_path)
    path = tmp_path / "calibration.toml"
    plain = tomllib.loads(path.read_text())
    calibration = read_calibration(path)
    offsets = calibration.offsets(load_arm(ARM))
    for joint in result.joints:
        assert joint.home_offset_deg == pytest.approx(offsets[joint.joint], abs=1e-3)
        assert plain["joint"][joint.joint]["method"] == joint.method
    again = run(calibration=calibration)
    for joint in again.joints:
        # What was trimmed before needs no more than the gauge's and the switch's own spread.
        assert joint.trim_deg is not None
        assert abs(joint.trim_deg) <= 0.3
        assert joint.home_offset_deg == pytest.approx(offsets[joint.joint], abs=0.35)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('arm = "heron"', 'arm = "crane"', r"it is of the arm 'crane', and this is 'heron'"),
        ("method = -3", "method = 17", r"J1: method 17, the arm file says -3"),
        ("direction = -1", "direction = 1", r"J2: direction 1, the arm file says -1"),
        (
            "home_offset = -16",
            "home_offset = -1",
            r"J1: home_offset -[0-9.]+ deg, and by the arm file home lies between -178 and -158 ",
        ),
    ],
)
def test_another_arms_calibration_is_refused(old: str, new: str, told: str, tmp_path: Path) -> None:
    write_report(run(), tmp_path)
    path = tmp_path / "calibration.toml"
    path.write_text(path.read_text().replace(old, new, 1))
    with pytest.raises(CalibrationError, match=told):
        read_calibration(path).offsets(load_arm(ARM))


def test_a_calibration_that_cannot_be_read(tmp_path: Path) -> None:
    path = tmp_path / "calibration.toml"
    with pytest.raises(CalibrationError, match=r"^there is no calibration file "):
        read_calibration(path)
    path.write_text('schema = 1\narm = "heron"\ndate = ""\n[joint.J1]\nmethod = "x"\n')
    with pytest.raises(CalibrationError, match=r"joint\.J1\.method: got 'x'; input should be"):
        read_calibration(path)


def test_names_are_unique() -> None:
    assert len(set(NAMES)) == len(NAMES)
