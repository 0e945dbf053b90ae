"""The card's client: what the host says to a motion card, in steps and counts.

Channels count from 1, as on the card. All times are rig seconds, read from the card.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from .errors import MotionError
from .line import READ_TIMEOUT_S, Line

# A dead port is noticed within a slice, and no reply takes longer than the read time-out.
SLICE_S = 1.0


@dataclass(frozen=True)
class Latch:
    """What the card latched at a switch edge."""

    hit: bool
    count: int
    step: int
    time_s: float


class Sample(NamedTuple):
    """Rig time and the commanded step counters at that time.

    `beyond`: axes that were the first to be beyond their following error, and stopped everything.
    """

    time_s: float
    steps: dict[int, int]
    beyond: tuple[int, ...] = ()


def channel_list(channels: Iterable[int]) -> str:
    """`(@1,3)` for channels 1 and 3."""
    return f"(@{','.join(str(channel) for channel in channels)})"


class Card:
    """A controller card on a serial port. Every method may raise PortError or CardError."""

    def __init__(self, line: Line) -> None:
        self.line = line

    @classmethod
    def open(cls, where: str, *, timeout_s: float = READ_TIMEOUT_S) -> Card:
        """Open a device path or a pyserial URL. Raises PortError."""
        return cls(Line.open(where, "card", timeout_s=timeout_s))

    def close(self) -> None:
        """Close the port."""
        self.line.close()

    def identify(self) -> str:
        """The reply to `*IDN?`: maker,model,serial,firmware."""
        return self.line.ask("*IDN?")[0]

    def reset(self) -> None:
        """`*RST`: stop, drives off, default rates. Limp links fall unless something holds them."""
        self.line.ask("*RST")

    def clock_s(self) -> float:
        """Rig time since power-up."""
        return self.line.numbers("CLOC:TIME?", 1)[0]

    def enable(self, on: bool, channels: Iterable[int]) -> None:
        """Energise the drives, or let them go limp."""
        self.line.ask(f"DRIV:ENAB {int(on)},{channel_list(channels)}")

    def set_current(self, shares: Mapping[int, float]) -> None:
        """Per channel: the share of its set current that the drive gives."""
        self.line.ask(*(f"DRIV:CURR {share:g},(@{channel})" for channel, share in shares.items()))

    def watch_following(self, windows: Mapping[int, tuple[float, float]]) -> None:
        """Per channel: counts a step, and the following error in counts that halts the axis.

        Counts from here on; 0 counts a step ends it.
        """
        units = []
        for channel, (scale, window) in windows.items():
            halts = int(scale != 0.0)
            units.append(f"FOLL:SCAL {scale:.9g},(@{channel})")
            units.append(f"FOLL:LIM {max(window, 1.0):.3f},(@{channel})")
            units.append(f"FOLL:HALT {halts},(@{channel})")
        self.line.ask(*units)

    def following_error(self, channels: Iterable[int]) -> dict[int, float]:
        """Counts ahead of the steps, per channel; 0 for one that is not watched."""
        wanted = list(channels)
        values = self.line.numbers(f"FOLL:ERR? {channel_list(wanted)}", len(wanted))
        return dict(zip(wanted, values, strict=True))

    def set_speed(self, rates: Mapping[int, tuple[float, float]]) -> None:
        """Per channel: rate in steps/s and acceleration in steps/s2."""
        units = []
        for channel, (rate, acceleration) in rates.items():
            units.append(f"STEP:RATE {rate:.3f},(@{channel})")
            units.append(f"STEP:ACC {acceleration:.3f},(@{channel})")
        self.line.ask(*units)

    def load_steps(self, channel: int, steps: int) -> None:
        """Load a step counter; moves nothing."""
        self.line.ask(f"STEP:COUN {steps},(@{channel})")

    def move(self, moves: Mapping[int, int]) -> float:
        """Start relative moves, in steps, at one instant; returns rig time then."""
        units = [f"STEP:MOVE {steps},(@{channel})" for channel, steps in moves.items()]
        return self.line.parse(self.line.ask("CLOC:TIME?", *units)[0], 1, "CLOC:TIME?")[0]

    def arm_halt(self, edge: str, channels: Iterable[int]) -> None:
        """Halt each axis at the next `edge` (RISE, FALL, IND or OFF) of its own switch or index."""
        self.line.ask(f"HALT:EDGE {edge},{channel_list(channels)}")

    def abort(self) -> None:
        """Decelerate every axis to a stop."""
        self.line.ask("ABOR")

    def abort_midway(self) -> None:
        """The same where a question may still be open: once that has been answered.

        Returns when the card has heard it: hung up on earlier it might never. Raises PortError.
        """
        self.line.tell_midway("ABOR")

    def latches(self, channels: Iterable[int]) -> dict[int, Latch]:
        """What was latched at each channel's last armed edge."""
        wanted = list(channels)
        values = self.line.numbers(f"HALT:LATC? {channel_list(wanted)}", 4 * len(wanted))
        return {
            channel: Latch(bool(hit), int(count), int(step), time_s)
            for channel, hit, count, step, time_s in zip(
                wanted, values[0::4], values[1::4], values[2::4], values[3::4], strict=True
            )
        }

    def take_back(self) -> str:
        """Make the line and the card's settings ours again after somebody else had the port.

        Returns what was left in the error queue, or "". Raises PortError.
        """
        return self.line.take_back("EVEN:LIN OFF;:HALT:EDGE OFF")

    def stop_level(self) -> int:
        """The stop input: 0 while the stop circuit is closed."""
        return int(self.line.numbers("STOP:LEV?", 1)[0])

    def steps(self, channels: Iterable[int]) -> dict[int, int]:
        """Commanded step counters."""
        return self._integers("STEP:COUN?", channels)

    def counts(self, channels: Iterable[int]) -> dict[int, int]:
        """Encoder counters."""
        return self._integers("ENC:COUN?", channels)

    def levels(self, channels: Iterable[int]) -> dict[int, int]:
        """Switch inputs: 1 is 3.3 V, pressed on a sound arm."""
        return self._integers("SWIT:LEV?", channels)

    def pause(self, duration_s: float) -> None:
        """Let `duration_s` of rig time pass."""
        end_s = self.clock_s() + duration_s
        left_s = duration_s
        while left_s > 0.0:
            left_s = end_s - self._wait(min(left_s, SLICE_S))

    def until_still(
        self,
        channels: Iterable[int],
        limit_s: float,
        watch: Callable[[Sample], None] | None = None,
        guard: Iterable[int] = (),
    ) -> Sample:
        """Wait for the end of motion, one call for each event; `watch` gets what was read.

        The first axis of `guard` whose following error goes beyond its limit stops everything.
        Raises MotionError, after stopping everything, when motion lasts beyond `limit_s` of rig
        time.
        """
        wanted, guarded = list(channels), list(guard)
        chosen = channel_list(wanted)
        moving, steps = f"STEP:MOV? {chosen}", f"STEP:COUN? {chosen}"
        flags = [f"FOLL:FLAG? {channel_list(guarded)}"] if guarded else []
        deadline_s = None
        beyond: tuple[int, ...] = ()
        # The first look does not wait: a short move may have ended before we asked.
        slice_s = 0.0
        while True:
            wait = f"WAIT? {slice_s:g}"
            fields = self.line.ask(wait, moving, steps, *flags)
            time_s = self.line.parse(fields[0], 1, wait)[0]
            busy = self.line.parse(fields[1], len(wanted), moving)
            at = self.line.parse(fields[2], len(wanted), steps)
            if flags and not beyond:
                flagged = self.line.parse(fields[3], len(guarded), flags[0])
                beyond = tuple(c for c, flag in zip(guarded, flagged, strict=True) if flag)
                if beyond and any(busy):
                    self.abort()
            sample = Sample(time_s, {c: int(n) for c, n in zip(wanted, at, strict=True)}, beyond)
            if watch is not None:
                watch(sample)
            if not any(busy):
                return sample
            if deadline_s is None:
                deadline_s = time_s + limit_s
            if time_s >= deadline_s:
                self.abort()
                raise MotionError(
                    f"motion on channel{'s' if sum(busy) > 1 else ''} "
                    f"{', '.join(str(c) for c, b in zip(wanted, busy, strict=True) if b)} had not "
                    f"ended after {limit_s:.1f} s; stopped"
                )
            slice_s = SLICE_S

    def _wait(self, limit_s: float) -> float:
        return self.line.numbers(f"WAIT? {limit_s:.6f}", 1)[0]

    def _integers(self, query: str, channels: Iterable[int]) -> dict[int, int]:
        wanted = list(channels)
        values = self.line.numbers(f"{query} {channel_list(wanted)}", len(wanted))
        return {channel: int(value) for channel, value in zip(wanted, values, strict=True)}
