"""The wire against IEEE 488.2 and SCPI-1999, as far as published pages tell them.

T: the SCPI error chapter in the public repository yaochein/PEL3000, `parser/scpi/scpiMessage.h`.
K2000: Keithley 2000 user manual; K6517: Keithley 6517A manual, page 3-23; K2001: Keithley 2001.
MP: Keysight MP4300 service guide, page 152 (overflow). N3301: Keysight N3301A, page 18.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from dryrig.protocol import words_homing
from dryrig.protocol.dialect import ScpiDialect
from dryrig.protocol.headers import accepted, short_form, spelling, split_header
from dryrig.protocol.station import ROLES, Station
from dryrig.protocol.status import ERROR_TEXTS, QUEUE_LENGTH, Event, Status, Summary, event_bit

# T, word for word.
TEXTS = {
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -111: "Header separator error",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -120: "Numeric data error",
    -121: "Invalid character in number",
    -123: "Exponent too large",
    -124: "Too many digits",
    -128: "Numeric data not allowed",
    -131: "Invalid suffix",
    -134: "Suffix too long",
    -138: "Suffix not allowed",
    -141: "Invalid character data",
    -144: "Character data too long",
    -148: "Character data not allowed",
    -151: "Invalid string data",
    -158: "String data not allowed",
    -168: "Block data not allowed",
    -171: "Invalid expression",
    -178: "Expression data not allowed",
    -200: "Execution error",
    -211: "Trigger ignored",
    -220: "Parameter error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -241: "Hardware missing",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -365: "Time out error",
    -430: "Query DEADLOCKED",
}


@pytest.fixture(scope="module")
def station() -> Iterator[Station]:
    with Station.build("heron", seed=1) as station:
        yield station


@pytest.fixture
def card(station: Station) -> ScpiDialect:
    return ScpiDialect(station, ROLES["card"], lambda _tick: None)


def test_error_texts() -> None:
    """T; the text of an empty queue: K2000."""
    assert ERROR_TEXTS == {0: "No error", **TEXTS}


@pytest.mark.parametrize(
    ("numbers", "bit"),
    [
        (range(-199, -99), 32),  # command error
        (range(-299, -199), 16),  # execution error
        (range(-399, -299), 8),  # device-specific error
        ((1, 42, 32767), 8),  # positive numbers count as device-specific
        (range(-499, -399), 4),  # query error
        ((-500,), 128),  # power on
        ((-600,), 64),  # user request
        ((-700,), 2),  # request control
        ((-800,), 1),  # operation complete
    ],
)
def test_class_of_a_number_sets_one_event_bit(numbers: range | tuple[int, ...], bit: int) -> None:
    """T, the paragraph at the head of each class."""
    assert {int(event_bit(number)) for number in numbers} == {bit}


def test_register_bits() -> None:
    """Keysight Truevolt help pages and the Fluke 7350 manual."""
    assert {event.name: event.value.bit_length() - 1 for event in Event} == {
        "OPC": 0,
        "RQC": 1,
        "QYE": 2,
        "DDE": 3,
        "EXE": 4,
        "CME": 5,
        "URQ": 6,
        "PON": 7,
    }
    assert {bit.name: bit.value.bit_length() - 1 for bit in Summary} == {
        "ERROR_QUEUE": 2,
        "QUESTIONABLE": 3,
        "MAV": 4,
        "ESB": 5,
        "MSS": 6,
        "OPERATION": 7,
    }


def test_bits_of_the_scpi_registers() -> None:
    """OPERation: Xantrex XDC manual, table 4.9 (5 waiting for trigger, 8 to 12 the designer's).
    QUEStionable: value from memory (0 voltage, 9 to 12 the designer's).
    """
    assert words_homing.WAITING == 1 << 5
    assert {words_homing.MOVING, words_homing.ARMED} <= {1 << bit for bit in range(8, 13)}
    assert words_homing.LOW_VOLTS == 1 << 0
    assert {words_homing.FOLLOWING, words_homing.STOP_OPEN} <= {1 << bit for bit in range(9, 13)}


def test_preset_of_the_scpi_registers() -> None:
    """Keysight AC6800B guide, page 152: rises only, nothing enabled; no event register and no
    error is touched. Rohde & Schwarz CMU 200 help: the filter for rises is 32767.
    """
    status = Status()
    status.post(-222)
    for group in (status.operation, status.questionable):
        group.enable, group.rises, group.falls = 7, 0, 5
        group.events = 3
        group.preset()
        assert (group.enable, group.rises, group.falls, group.events) == (0, 32767, 0, 3)
    assert (int(status.events), status.error_count) == (Event.PON | Event.EXE, 1)


def test_summaries_of_the_scpi_registers() -> None:
    """Keysight Truevolt help: bit 3 questionable, bit 7 operation; reading or *CLS clears."""
    status = Status()
    status.operation.enable, status.questionable.enable = 16, 2
    status.operation.sense(16)
    assert status.status_byte(message_available=False) == 128
    status.questionable.sense(2)
    assert status.status_byte(message_available=False) == 128 + 8
    assert status.operation.take_events() == 16
    assert status.status_byte(message_available=False) == 8
    status.clear()
    assert status.status_byte(message_available=False) == 0
    assert (status.operation.condition, status.questionable.enable) == (16, 2)


def test_trigger_with_nothing_to_start(card: ScpiDialect) -> None:
    """T, -211: *TRG was received and recognised but ignored."""
    card.receive(b"*CLS;*TRG\n")
    assert card.receive(b"SYST:ERR?\n").startswith(b'-211,"Trigger ignored;')


def test_overflow_replaces_the_last_entry() -> None:
    """MP: the last error in the queue is replaced with -350; FIFO; T: it was not recorded."""
    status = Status()
    for _ in range(QUEUE_LENGTH):
        status.post(-222)
    status.post(-113)
    status.post(-109)
    read = [status.next_error() for _ in range(QUEUE_LENGTH)]
    assert [entry.number for entry in read] == [-222] * (QUEUE_LENGTH - 1) + [-350]
    assert read[-1].reply() == '-350,"Queue overflow"'
    assert status.next_error().reply() == '0,"No error"'


def test_reading_makes_room_again() -> None:
    """HP ESG manual, page 3-6: reading the head opens a position in the tail."""
    status = Status()
    for _ in range(QUEUE_LENGTH + 1):
        status.post(-222)
    status.next_error()
    status.post(-113)
    numbers = [status.next_error().number for _ in range(QUEUE_LENGTH)]
    assert numbers == [-222] * (QUEUE_LENGTH - 2) + [-350, -113]


@pytest.mark.parametrize(
    ("word", "short"),
    [
        ("auto", "AUTO"),  # K2000 4-35: four letters or fewer, no short form
        ("immediate", "IMM"),  # K2000 4-35: the fourth letter is a vowel
        ("format", "FORM"),  # K2000 4-35: the fourth letter is a consonant
        ("delay", "DEL"),  # K2000 4-35
        ("output", "OUTP"),  # K6517
        ("polynomial", "POL"),  # K6517: y counts as a vowel
        ("Free", "FREE"),  # PeakTech P 4095 manual, page 7
        ("Frequency", "FREQ"),  # PeakTech P 4095
        ("Power", "POW"),  # PeakTech P 4095
    ],
)
def test_short_form(word: str, short: str) -> None:
    assert short_form(word) == short


def test_query_mark_belongs_to_the_short_form_too() -> None:
    """K2000 4-35: `:delay? = :del?`."""
    assert split_header(":DELay?") == (":DELAY", True, "")
    assert split_header(":del?") == (":DEL", True, "")


@pytest.mark.parametrize("role", list(ROLES))
def test_our_own_words_follow_the_rule(role: str) -> None:
    for command in ROLES[role].commands:
        if not command.header.startswith("*"):
            for word in command.header.replace("[", "").replace("]", "").split(":"):
                assert word == spelling(word)
                assert len(word) <= 12  # T, -112: a mnemonic has at most twelve characters


def test_only_exact_short_or_long_forms(card: ScpiDialect) -> None:
    """K6517: `:SYSTe:PRESe` is illegal and will generate an error."""
    assert accepted("SYSTem:VERSion") == [
        "SYSTEM:VERSION",
        "SYSTEM:VERS",
        "SYST:VERSION",
        "SYST:VERS",
    ]
    for form in ("SYSTem:VERSion?", ":syst:VERS?", "SYSTEM:vers?"):
        assert card.receive(form.encode() + b"\n") == b"1999.0\n"
    assert card.receive(b"SYSTe:VERSi?\n") == b""
    assert card.receive(b"SYST:ERR?\n").startswith(b'-113,"Undefined header;SYSTE:VERSI')


MANDATED = [
    *("*CLS", "*ESE", "*ESE?", "*ESR?", "*IDN?", "*OPC", "*OPC?"),
    *("*RST", "*SRE", "*SRE?", "*STB?", "*TST?", "*WAI"),
]
REQUIRED = [
    *("SYSTem:ERRor[:NEXT]?", "SYSTem:VERSion?", "STATus:PRESet"),
    *("STATus:OPERation[:EVENt]?", "STATus:OPERation:CONDition?"),
    *("STATus:OPERation:ENABle", "STATus:OPERation:ENABle?"),
    *("STATus:QUEStionable[:EVENt]?", "STATus:QUEStionable:CONDition?"),
    *("STATus:QUEStionable:ENABle", "STATus:QUEStionable:ENABle?"),
]


@pytest.mark.parametrize("role", list(ROLES))
def test_mandated_words(role: str) -> None:
    """j123b567/scpi-parser, comments of its examples; HP 70004A manual, page 5-52."""
    forms = set()
    for command in ROLES[role].commands:
        forms |= {command.header} if command.do else set()
        forms |= {command.header + "?"} if command.ask else set()
    assert forms >= {*MANDATED, *REQUIRED}


def test_compound_headers(card: ScpiDialect) -> None:
    """N3301: the next header inherits the path; a colon or a new message starts at the root."""
    assert card.receive(b"STEP:RATE 500,(@1);ACC 700,(@1);RATE?(@1)\n") == b""  # no space: -111
    assert card.receive(b"STEP:RATE 500,(@1);ACC 700,(@1);RATE? (@1)\n") == b"500\n"
    assert card.receive(b"STEP:RATE? (@1);:STEP:ACC? (@1)\n") == b"500;700\n"
    assert card.receive(b"ACC? (@1)\n") == b""
    errors = card.receive(b"SYST:ERR?;ERR?\n")
    assert errors.startswith(b'-111,"Header separator error;')
    assert b';-113,"Undefined header;' in errors


def test_common_commands_leave_the_path_alone(card: ScpiDialect) -> None:
    """Hioki 3541: common commands neither use nor change the path."""
    assert card.receive(b"STEP:RATE 900,(@1);*ESE 0;RATE? (@1)\n") == b"900\n"


def test_identification(card: ScpiDialect) -> None:
    """HP 70004A: maker, model, serial, firmware. At most 72 characters: value from memory."""
    reply = card.receive(b"*IDN?\n")
    assert len(reply.split(b",")) == 4
    assert len(reply) <= 72


def test_self_test_passes(card: ScpiDialect) -> None:
    """Hioki: 0 = pass."""
    assert card.receive(b"*TST?\n") == b"0\n"


def test_operation_complete_query_sets_nothing(card: ScpiDialect) -> None:
    """T, -800: *OPC? does not set bit 0 nor enter any event in the queue."""
    card.receive(b"*CLS\n")
    assert card.receive(b"*OPC?;*ESR?;:SYST:ERR?\n") == b'1;0;0,"No error"\n'
    assert card.receive(b"*OPC;*ESR?;*ESR?\n") == b"1;0\n"


def test_clear_empties_the_queue_and_reset_does_not(card: ScpiDialect) -> None:
    """K2001."""
    card.receive(b"*NO\n*RST\n")
    assert card.receive(b"SYST:ERR?\n").startswith(b"-113,")
    card.receive(b"*NO\n*CLS\n")
    assert card.receive(b"SYST:ERR?\n") == b'0,"No error"\n'


def test_power_on_bit(card: ScpiDialect) -> None:
    """T, -500: power on sets bit 7; reading clears the register."""
    assert card.receive(b"*ESR?;*ESR?\n") == b"128;0\n"


def test_summary_bits(card: ScpiDialect) -> None:
    """Fluke 7350: an enabled event shows in bit 5, an enabled summary in bit 6."""
    card.receive(b"*CLS;*ESE 32;*SRE 32\n*NO\n")
    assert card.receive(b"*STB?\n") == b"100\n"  # error queue 4, event 32, summary 64
    card.receive(b"*ESE 0\n")
    assert card.receive(b"*STB?\n") == b"4\n"
    assert card.receive(b"*SRE 255;*SRE?\n") == b"191\n"  # bit 6 cannot be enabled
    assert card.receive(b"*CLS;*IDN?;*STB?\n").endswith(b";80\n")  # a reply waits: 16 + 64


def test_number_forms(card: ScpiDialect) -> None:
    """j123b567/scpi-parser: NR1, NR2, NR3, #H #Q #B."""
    for sent in ("1000", "1000.0", "1E3", "+.1e4", "#H3E8", "#Q1750", "#B1111101000", "1 E +3"):
        assert card.receive(f"STEP:RATE 1;RATE {sent};RATE? (@1)\n".encode()) == b"1000\n"


def test_channel_lists(card: ScpiDialect) -> None:
    """Agilent 3499A manual, page 115: `(@1:6)`, `(@1,3)`."""
    for number in range(1, 7):
        card.receive(f"STEP:RATE {number * 100},(@{number})\n".encode())
    assert card.receive(b"STEP:RATE? (@1,3)\n") == b"100,300\n"
    assert card.receive(b"STEP:RATE? (@2:4,6)\n") == b"200,300,400,600\n"
    assert card.receive(b"STEP:RATE? (@6:5)\n") == b"600,500\n"
    assert card.receive(b"STEP:RATE?\n") == b"100,200,300,400,500,600\n"
