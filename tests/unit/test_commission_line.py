"""The conversation on a line: replies that fit, replies that do not, and none."""

from __future__ import annotations

import re

import pytest
import serial

from dryrig.commission.client import Card, Sample
from dryrig.commission.errors import (
    CardError,
    GarbledReply,
    MotionError,
    NoAnswer,
    PortError,
)
from dryrig.commission.line import Line, split_units


class Scripted(serial.SerialBase):
    """A port that answers each message with the next of its replies."""

    def __init__(self, *replies: bytes | Exception) -> None:
        super().__init__()
        self.replies = list(replies)
        self.sent: list[bytes] = []

    def _reconfigure_port(self) -> None:
        """Nothing to configure."""

    def write(self, data: bytes) -> int:  # type: ignore[override]
        self.sent.append(data)
        return len(data)

    def read_until(self, expected: bytes = b"\n", size: int | None = None) -> bytes:
        reply = self.replies.pop(0) if self.replies else b""
        if isinstance(reply, Exception):
            raise reply
        return reply


def test_one_message_asks_acts_and_looks_at_the_error_queue() -> None:
    port = Scripted(b'7.5;1;0,"No error"\n')
    assert Line(port, "card").ask("CLOC:TIME?", "STEP:MOVE 5,(@1)", "*OPC?") == ["7.5", "1"]
    assert port.sent == [b":CLOC:TIME?;:STEP:MOVE 5,(@1);*OPC?;:SYST:ERR?\n"]


def test_a_semicolon_in_a_text_does_not_split() -> None:
    assert split_units('1;-222,"Data out of range;RATE 0: 1 to 200";"a""b;c"') == [
        "1",
        '-222,"Data out of range;RATE 0: 1 to 200"',
        '"a""b;c"',
    ]


def test_a_refusal_raises_and_empties_the_queue() -> None:
    port = Scripted(b'-222,"Data out of range;x"\n', b'-221,"old"\n', b'0,"No error"\n')
    with pytest.raises(CardError) as caught:
        Line(port, "card").ask("STEP:RATE 0,(@1)")
    assert caught.value.number == -222
    assert str(caught.value) == ("the card refused ':STEP:RATE 0,(@1)': -222 Data out of range;x")
    assert port.replies == []


def test_a_dropped_message_is_explained_by_the_error_queue() -> None:
    port = Scripted(b"", b'-113,"Undefined header;FOO"\n', b'0,"No error"\n')
    with pytest.raises(CardError, match=r"^the card refused ':FOO\?': -113 Undefined header;FOO$"):
        Line(port, "card").ask("FOO?")


@pytest.mark.parametrize(
    ("replies", "error", "text"),
    [
        ([b""], NoAnswer, r"^no answer from the card to ':SYST:ERR\?' in time$"),
        (
            [b'0,"No', b'0,"No error"\n'],
            NoAnswer,
            r"^no answer from the card to ':X\?;:SYST:ERR\?' in time; only b'0,\"No' came$",
        ),
        ([b"\xff\xfe\n"], GarbledReply, r"which is not ASCII text$"),
        ([b"hello\n"], GarbledReply, r"expected an error-queue entry such as 0,\"No error\"$"),
        ([b'0,"No error"\n'], GarbledReply, r"with 1 parts instead of 2"),
        ([OSError("unplugged")], PortError, r"^the card port has gone: unplugged$"),
        ([serial.SerialException("EOF")], PortError, r"^the card port has gone: EOF$"),
    ],
)
def test_bad_replies(replies: list[bytes | Exception], error: type[PortError], text: str) -> None:
    with pytest.raises(error, match=text):
        Line(Scripted(*replies), "card").ask("X?")


def test_numbers_that_are_none() -> None:
    port = Scripted(b'1,two;0,"No error"\n', b'1,2,3;0,"No error"\n')
    line = Line(port, "card")
    with pytest.raises(GarbledReply, match=r"^the card answered 'X\?' with '1,two'; expected 2 "):
        line.numbers("X?", 2)
    with pytest.raises(GarbledReply, match=r"with '1,2,3'; expected 2 numbers$"):
        line.numbers("X?", 2)


def test_a_port_that_is_not_there() -> None:
    with pytest.raises(PortError, match=r"^cannot open the card port '/nowhere': "):
        Card.open("/nowhere")


def test_motion_that_does_not_end_is_stopped() -> None:
    port = Scripted(
        b'0.0;1,0;0,0;0,"No error"\n',
        b'1.0;1,0;5,0;0,"No error"\n',
        b'2.0;1,0;9,0;0,"No error"\n',
        b'0,"No error"\n',
    )
    seen: list[Sample] = []
    text = r"^motion on channel 1 had not ended after 1\.5 s; stopped$"
    with pytest.raises(MotionError, match=text):
        Card(Line(port, "card")).until_still([1, 2], 1.5, seen.append)
    assert [sample.steps[1] for sample in seen] == [0, 5, 9]
    assert re.match(rb":ABOR;", port.sent[-1])


def test_a_stop_midway_is_heard_after_what_was_still_open() -> None:
    port = Scripted(
        b'0,"No error"\n',  # what was left of a reply when the signal came
        b"\xff\n",
        b'-410,"Query INTERRUPTED";0,"No error"\n',
    )
    Card(Line(port, "card")).abort_midway()
    assert port.sent == [b"\n:ABOR;:SYST:ERR?;:SYST:ERR?\n"]


def test_a_stop_midway_that_nothing_answers_to() -> None:
    with pytest.raises(NoAnswer, match=r"^no answer from the card to ':ABOR;:SYST:ERR\?;:SYST:ERR"):
        Card(Line(Scripted(), "card")).abort_midway()
    port = Scripted(*[b"1\n"] * 60)
    with pytest.raises(NoAnswer, match=r"^the card answers other things than ':ABOR;"):
        Card(Line(port, "card")).abort_midway()
