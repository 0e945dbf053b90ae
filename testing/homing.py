"""A homing routine under test, and the properties that any such routine should have.

    routine = Homing(my_home, joints=("J4", "J5"), reports=(HomingError,))
    test_it_is_honest = routine.never_wrong_and_silent(within_deg=0.3)

Each property is one line and gives a test for pytest, by Hypothesis. Which bounds are right is
common practice, no published source: choose them for your arm.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import hypothesis
from hypothesis import given
from hypothesis import strategies as st

from ..faults import strategies as drawn
from ..faults.poses import start_for
from ..faults.strategies import Arm
from ..protocol.direct import DirectRig, open_rig
from ..protocol.in_process import Serial
from ..protocol.rig_time import rig_time
from ..scenes import load_scene
from ..study.watching import RanTooLong, pressed_s, time_limit
from .homed import assert_homed, standings

Check = Callable[["Ran"], None]
Property = Callable[[], None]


@dataclass
class Ran:
    """One run of the routine: rig, card port, the arm's faults, what it reported, rig time, s."""

    rig: DirectRig
    port: Serial
    faults: tuple[str, ...] = ()
    reported: BaseException | None = None
    took_s: float = 0.0

    def must_report(self, of: str) -> None:
        """Raises AssertionError when it ended as if all were well."""
        __tracebackhide__ = True
        assert self.reported is not None, f"the routine reported nothing, with {of}"

    def must_not_report(self) -> None:
        """Raises AssertionError, from the report, when it did not home."""
        __tracebackhide__ = True
        if self.reported is not None:
            raise AssertionError(
                f"the routine reported {type(self.reported).__name__}: {self.reported}"
            ) from self.reported


@dataclass(frozen=True)
class Homing:
    """A routine and what it is for.

    `run` takes an open port of the card (a pyserial port with the time-out `timeout_s`), and
    returns when `joints` are homed or raises one of `reports`; anything else that it raises is a
    failure. `time.sleep` and the clocks of `time` are rig time meanwhile. `zero_deg` says where
    step 0 is, if not at the switch; `limit_s` bounds every run, rig time; `choice` is handed on to
    `arms` of `dryrig.faults.strategies`, such as `{"kinds": ("open", "swap")}`;
    `settings` are Hypothesis's, for all properties.
    """

    run: Callable[[Serial], Any]
    joints: Sequence[str] = ()
    reports: tuple[type[BaseException], ...] = (Exception,)
    scene: str = "heron"
    zero_deg: Mapping[str, float] | None = None
    timeout_s: float | None = 1.0
    limit_s: float = 600.0
    choice: Mapping[str, Any] = field(default_factory=dict)
    settings: hypothesis.settings | None = None

    def arms(self, **options: Any) -> st.SearchStrategy[Arm]:
        """The arms that properties draw, unless they say otherwise.

        Without a `choice`, half of their faults are at the switches: homing leans on them most.
        """
        whole = drawn.arms(self.scene, joints=self.joints, **{**self.choice, **options})
        if self.choice or options.get("max_faults") == 0:
            return whole
        return whole | drawn.arms(self.scene, joints=self.joints, parts=("SW",), **options)

    @contextmanager
    def on(self, arm: Arm, *, limit_s: float | None = None) -> Iterator[Ran]:
        """Run it on an arm; the rig is open in the block, and its story is told if that fails."""
        __tracebackhide__ = True
        with open_rig(arm.scene, **arm.options) as rig:
            rig.seen.trace.start()
            ran = Ran(rig, rig.port(timeout=self.timeout_s), arm.faults)
            try:
                self.again(ran, limit_s=limit_s)
                yield ran
            except BaseException as error:
                error.add_note(f"what happened:\n{rig.story()}")
                raise

    def again(self, ran: Ran, *, limit_s: float | None = None) -> None:
        """Run it on the same rig, once more. Raises AssertionError when it does not end."""
        __tracebackhide__ = True
        limit = self.limit_s if limit_s is None else limit_s
        began_s, ran.reported = ran.rig.time_s, None
        try:
            with time_limit(ran.rig.seen, limit), rig_time(ran.rig):
                self.run(ran.port)
        except RanTooLong:
            text = f"the routine had not ended after {limit:g} s of rig time"
            raise AssertionError(text) from None
        except self.reports as error:
            ran.reported = error
        ran.took_s = ran.rig.time_s - began_s

    def holds(
        self, check: Check, arms: st.SearchStrategy[Arm], *, limit_s: float | None = None
    ) -> Property:
        """A property of your own: `check` gets every run, and raises AssertionError.

        An arm that has passed is not run again: same arm and same bytes, same run. That is half of
        what Hypothesis draws while it varies and shrinks what it has.
        """
        passed: set[Arm] = set()

        @(self.settings or homing_settings())
        @given(arm=arms)
        def test(arm: Arm) -> None:
            __tracebackhide__ = True
            if arm not in passed:
                with self.on(arm, limit_s=limit_s) as ran:
                    check(ran)
                passed.add(arm)

        return test

    # --- what a routine should always do -----------------------------------------------------

    def ends_within(self, seconds: float) -> Property:
        """It ends, homed or with a report, within so many seconds of rig time.

        The line is sound, since over one that is late anything lasts.
        """
        return self.holds(lambda ran: None, self.arms(line=False), limit_s=seconds)

    def never_wrong_and_silent(self, within_deg: float = 0.3) -> Property:
        """It ends homed within so many degrees, or it reports; whatever is broken."""

        def check(ran: Ran) -> None:
            __tracebackhide__ = True
            if ran.reported is None:
                self._assert_homed(ran, within_deg)

        return self.holds(check, self.arms())

    def never_presses_a_stop(self, longer_than_s: float = 5.0) -> Property:
        """No joint is driven against its hard stop for longer."""

        def check(ran: Ran) -> None:
            __tracebackhide__ = True
            for joint, pressed in pressed_s(ran.rig.seen).items():
                assert pressed <= longer_than_s, (
                    f"{joint} was driven against its hard stop for {pressed:.1f} s, longer than "
                    f"{longer_than_s:g} s"
                )

        return self.holds(check, self.arms())

    def drives_defined_after_a_report(self, enabled: bool | None = None) -> Property:
        """After a report no pulses go out; all drives are on or off, where `enabled` is given."""

        def check(ran: Ran) -> None:
            __tracebackhide__ = True
            if ran.reported is None:
                return
            ran.rig.sleep(2.0)  # what was told last may be on its way, and ramps end
            for axis, joint in enumerate(ran.rig.seen.scene.joint):
                if self.joints and joint.name not in self.joints:
                    continue
                card = ran.rig.seen.card
                assert not card.moving(axis), f"{joint.name} goes on moving after the report"
                if enabled is not None:
                    state = "on" if card.enabled(axis) else "off"
                    assert card.enabled(axis) == enabled, (
                        f"the drive of {joint.name} is {state} after the report"
                    )

        # Over a line that loses bytes no routine can be sure that it was heard.
        return self.holds(check, self.arms(line=False))

    def leaves_the_card_as_found(self) -> Property:
        """However it ends: full current, no halt armed, no following error watched.

        What is left behind strikes the next program: a joint that sinks, a move that halts.
        """

        def check(ran: Ran) -> None:
            __tracebackhide__ = True
            card = ran.rig.seen.card
            for axis, joint in enumerate(ran.rig.seen.scene.joint):
                share, edge = card.current(axis), card.halt_edge(axis)
                assert share == 1.0, (
                    f"the drive of {joint.name} is left with {share:g} of its current"
                )
                assert edge is None, f"{joint.name} is left armed: it halts at the next {edge}"
                watched = bool(card.following.scale[axis]) and card.following.halts[axis]
                assert not watched, f"{joint.name} is left to be halted by its following error"

        return self.holds(check, self.arms(line=False))

    # --- what it should do on a sound arm ----------------------------------------------------

    def homes_a_sound_arm(self, within_deg: float = 0.3) -> Property:
        """Any individual without a fault, from any pose, is homed, and nothing is reported."""

        def check(ran: Ran) -> None:
            __tracebackhide__ = True
            ran.must_not_report()
            self._assert_homed(ran, within_deg)

        return self.holds(check, self.arms(max_faults=0))

    def stops_on_the_edge(self, within_deg: float = 0.5) -> Property:
        """On a sound arm every joint ends that near to where its switch operates."""

        def check(ran: Ran) -> None:
            __tracebackhide__ = True
            ran.must_not_report()
            rig = ran.rig.seen
            for axis, (joint, deg) in enumerate(zip(rig.scene.joint, rig.truth_deg(), strict=True)):
                if self.joints and joint.name not in self.joints:
                    continue
                away = abs(deg - rig.individual.switch_deg[axis])
                assert away <= within_deg, (
                    f"{joint.name} stands {away:.2f} {joint.unit} from its switch's edge"
                )

        return self.holds(check, self.arms(max_faults=0))

    def twice_agrees(self, within_deg: float = 0.2) -> Property:
        """On a sound arm a second homing puts zero where the first did."""

        def check(ran: Ran) -> None:
            __tracebackhide__ = True
            ran.must_not_report()
            first = self._errors_deg(ran)
            self.again(ran)
            ran.must_not_report()
            _agree(first, self._errors_deg(ran), within_deg, "the second homing")

        return self.holds(check, self.arms(max_faults=0))

    def start_does_not_matter(self, within_deg: float = 0.2) -> Property:
        """The same arm homed from another pose has its zero at the same place."""

        def check(ran: Ran) -> None:
            __tracebackhide__ = True
            ran.must_not_report()
            seed = ran.rig.seen.seed
            pose_deg = start_for(self.scene, seed, tuple(self.joints))
            with self.on(Arm(self.scene, seed, (), pose_deg)) as other:
                other.must_not_report()
                _agree(self._errors_deg(ran), self._errors_deg(other), within_deg, "another start")

        return self.holds(check, self.arms(max_faults=0))

    # --- with given faults and lines ---------------------------------------------------------

    def reports_when_impossible(
        self, *faults: str, saying: Mapping[str, str] | None = None
    ) -> Property:
        """It reports with any of these faults, with which no homing is possible.

        By default each joint's switch plug, motor plug and drive supply is off in turn. `saying`
        has further faults, and a regular expression for each that must be found in the report.
        """
        words = dict.fromkeys(faults, "") | dict(saying or {})
        if not words:
            named = self.joints or [joint.name for joint in load_scene(self.scene).joint]
            words = {
                f"{kind}@{joint}.{place}": ""
                for joint in named
                for kind, place in (("unplug", "SW"), ("unplug", "MOTOR"), ("open", "DRIVE.24V"))
            }

        def check(ran: Ran) -> None:
            __tracebackhide__ = True
            (fault,) = ran.faults
            ran.must_report(fault)
            assert re.search(words[fault], str(ran.reported)), (
                f"with {fault} the report should say {words[fault]!r}, and says {ran.reported}"
            )

        arms = st.builds(
            Arm, st.just(self.scene), st.integers(0, 99), st.sampled_from(list(words)).map(_alone)
        )
        return self.holds(check, arms)

    def tolerates_slow_replies(
        self, most_delay_s: float = 0.5, within_deg: float = 0.3
    ) -> Property:
        """Over a line that is late and splits replies, and loses nothing, it homes all the same."""

        def check(ran: Ran) -> None:
            __tracebackhide__ = True
            ran.must_not_report()
            self._assert_homed(ran, within_deg)

        return self.holds(check, self._lines(most_delay_s=most_delay_s, loses=False))

    def tolerates_a_bad_line(self, most_delay_s: float = 10.0, within_deg: float = 0.3) -> Property:
        """Over a line that loses, doubles or spoils bytes it homes or reports, and ends."""

        def check(ran: Ran) -> None:
            __tracebackhide__ = True
            if ran.reported is None:
                self._assert_homed(ran, within_deg)

        return self.holds(check, self._lines(most_delay_s=most_delay_s))

    def _lines(self, **options: Any) -> st.SearchStrategy[Arm]:
        line = drawn.line_conditions(**options)
        return st.builds(Arm, st.just(self.scene), st.just(0), line.map(_alone))

    def _errors_deg(self, ran: Ran) -> dict[str, float]:
        found = standings(ran.rig, joints=self.joints, zero_deg=self.zero_deg)
        return {each.joint: each.error_deg for each in found}

    def _assert_homed(self, ran: Ran, within_deg: float) -> None:
        __tracebackhide__ = True
        assert_homed(ran.rig, within_deg, joints=self.joints, zero_deg=self.zero_deg)


def homing_settings() -> hypothesis.settings:
    """The present profile's, such as its number of examples, with what tests of rigs need."""
    ours, theirs = hypothesis.settings.get_profile(drawn.PROFILE), hypothesis.settings()
    return hypothesis.settings(
        deadline=None,
        suppress_health_check={*theirs.suppress_health_check, *ours.suppress_health_check},
        report_multiple_bugs=False,
        phases=[phase for phase in theirs.phases if phase in ours.phases],
    )


def _alone(fault: str) -> tuple[str, ...]:
    return (fault,)


def _agree(
    one: Mapping[str, float], other: Mapping[str, float], within_deg: float, what: str
) -> None:
    __tracebackhide__ = True
    for joint, error_deg in one.items():
        apart = other[joint] - error_deg
        assert abs(apart) <= within_deg, (
            f"{joint}: {what} puts zero {apart:+.2f} deg from where it was, not within "
            f"{within_deg:g}"
        )
