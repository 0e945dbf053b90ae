from __future__ import annotations

import pytest

from dryrig.protocol.message import split_data, split_units
from dryrig.protocol.status import ScpiError, quoted
from dryrig.protocol.values import Choice, Number, Switched, Text, parse_channels, real

RATE = Number("rate", "steps/s", 1, 200_000, default=1000)
TIME = Number("time", "s", 0, 600)
STEPS = Number("steps", "", -100, 100, whole=True)
ANGLE = Number("angle", "deg", -360, 360)


@pytest.mark.parametrize(
    ("number", "text", "value"),
    [
        (TIME, "5", 5.0),
        (TIME, "500 ms", 0.5),
        (TIME, "500MS", 0.5),
        (TIME, "2s", 2.0),
        (ANGLE, "-90DEG", -90.0),
        (ANGLE, "1 rad", 57.29577951308232),
        (STEPS, "2.5", 3),
        (STEPS, "-2.5", -2),
        (STEPS, "-100.4", -100),
        (RATE, "1.5 kHz", 1500),
        (RATE, "0.1MHZ", 100_000),
        (TIME, "0.1KS", 100),
        (RATE, "MIN", 1),
        (RATE, "maximum", 200_000),
        (RATE, "DEF", 1000),
    ],
)
def test_numbers(number: Number, text: str, value: float) -> None:
    assert number.parse(text) == value


@pytest.mark.parametrize(
    ("number", "text", "code", "detail"),
    [
        (RATE, "1e9", -222, "1e9: 1 to 200000 steps/s"),
        (RATE, "0.5", -222, "0.5: 1 to 200000 steps/s"),
        (RATE, "1e999", -222, "1e999: 1 to 200000 steps/s"),
        (RATE, "1e", -121, "rate: no digits in the exponent"),
        (RATE, "1e+", -121, "rate: 'e+' after a number"),
        (RATE, "1,", -121, "rate: ',' after a number"),
        (RATE, "--1", -121, "--1: expected 1 to 200000 steps/s"),
        (RATE, "#HXY", -121, "#HXY: not a number of that base"),
        (RATE, "#15HELLO", -168, "#15HELLO: expected a number, 1 to 200000 steps/s"),
        (STEPS, "100HZ", -138, "HZ: steps is written without a unit"),
        (RATE, "100S", -131, "S: expected one of HZ, KHZ"),
        (RATE, "1E33000", -123, "rate: an exponent of 33000"),
        (TIME, "5min", -131, "min: expected one of S, MS, US"),
        (TIME, "5" + "a" * 13, -134, "a" * 13),
        (TIME, "DEF", -224, "time has no default: 0 to 600 s"),
        (RATE, "FAST", -148, "FAST: expected a number, 1 to 200000 steps/s"),
        (RATE, '"5"', -158, '"5": expected a number, 1 to 200000 steps/s'),
        (RATE, "(@1)", -178, "(@1): expected a number, 1 to 200000 steps/s"),
        (RATE, "1" * 300, -124, "rate: more than 255 digits in a number"),
    ],
)
def test_bad_numbers(number: Number, text: str, code: int, detail: str) -> None:
    with pytest.raises(ScpiError) as caught:
        number.parse(text)
    assert (caught.value.number, caught.value.detail) == (code, detail)


def test_booleans() -> None:
    assert [Switched().parse(text) for text in ("ON", "off", "1", "0", "-2", "0.4")] == [
        True,
        False,
        True,
        False,
        True,
        False,
    ]
    with pytest.raises(ScpiError) as caught:
        Switched().parse("YES")
    assert (caught.value.number, caught.value.detail) == (-224, "YES: expected ON, OFF, 1 or 0")


def test_choices() -> None:
    sense = Choice("sense", ("POSitive", "NEGative"))
    assert [sense.parse(text) for text in ("POS", "positive", "Neg")] == ["POS", "POS", "NEG"]
    with pytest.raises(ScpiError) as caught:
        sense.parse("POSI")
    assert caught.value.number == -224
    assert caught.value.detail == "POSI: expected POSitive|NEGative (did you mean POSITIVE?)"


def test_strings() -> None:
    text = Text("fault")
    assert text.parse('"open@J3.DIR"') == "open@J3.DIR"
    assert text.parse("'a \"b\" c'") == 'a "b" c'
    assert text.parse('"a ""b"" c"') == 'a "b" c'
    with pytest.raises(ScpiError) as caught:
        text.parse("open")
    assert caught.value.number == -148
    assert quoted('a "b"\n') == '"a ""b""?"'


@pytest.mark.parametrize(
    ("text", "axes"),
    [
        ("(@1)", [0]),
        ("( @ 1 : 3 , 6 )", [0, 1, 2, 5]),
        ("(@3:1)", [2, 1, 0]),
        ("(@2,2)", [1, 1]),
    ],
)
def test_channels(text: str, axes: list[int]) -> None:
    assert parse_channels(text, 6) == axes


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("(@)", -171),
        ("(@1:)", -171),
        ("(1)", -171),
        ("(@1!2)", -171),
        ("(@0)", -222),
        ("(@1:7)", -222),
        ("(@1:6,1:6,1:6,1:6,1)", -222),
        ("3", -128),
    ],
)
def test_bad_channels(text: str, code: int) -> None:
    with pytest.raises(ScpiError) as caught:
        parse_channels(text, 6)
    assert caught.value.number == code


def test_units_and_data_split_outside_strings_only() -> None:
    assert split_units("A \"x;y\";B ';';C") == ['A "x;y"', "B ';'", "C"]
    assert split_data('"a,b",(@1,3),5') == ['"a,b"', "(@1,3)", "5"]
    assert split_data("") == []


@pytest.mark.parametrize(
    ("data", "code"),
    [
        ('"open', -151),
        ('"a"b', -103),
        ("(@1", -171),
        ("(@1)2", -103),
        ("1,,2", -109),
        (",1", -109),
    ],
)
def test_bad_data(data: str, code: int) -> None:
    with pytest.raises(ScpiError) as caught:
        split_data(data)
    assert caught.value.number == code


def test_replies_have_no_minus_zero_and_no_float_dust() -> None:
    assert [real(value) for value in (-0.0, 23.998, 0.1 + 0.2, 200000.0, 9e37)] == [
        "0",
        "23.998",
        "0.3",
        "200000",
        "9E+37",
    ]
