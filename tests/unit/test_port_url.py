from __future__ import annotations

import re

import pytest

from dryrig.protocol.url import Request, UrlError, parse_url


def test_everything_a_url_can_say() -> None:
    url = (
        "dryrig://heron?seed=3&rig=bench&port=hands&start=0,60,-90,0,30,0"
        "&fault=open@J1.MOTOR.A+&fault=resist@J1.SW.COM,ohm=4700"
    )
    assert parse_url(url) == Request(
        scene="heron",
        role="hands",
        seed=3,
        rig="bench",
        faults=("open@J1.MOTOR.A+", "resist@J1.SW.COM,ohm=4700"),
        start_pose_deg=(0.0, 60.0, -90.0, 0.0, 30.0, 0.0),
    )


def test_what_is_left_out_and_what_is_a_path() -> None:
    assert parse_url("DRYRIG://heron") == Request(scene="heron")
    assert parse_url("dryrig:///srv/My%20Arm.toml?").scene == "/srv/My Arm.toml"
    assert parse_url("dryrig://./arm.toml").scene == "./arm.toml"


@pytest.mark.parametrize(
    ("query", "said"),
    [
        (
            "sed=3",
            "'sed=3': expected seed=, rig=, port=, fault=, start=, baud=, grammar= "
            "(did you mean 'seed'?)",
        ),
        (
            "seed",
            "'seed': expected seed=, rig=, port=, fault=, start=, baud=, grammar= "
            "(did you mean 'seed'?)",
        ),
        ("seed=-1", "seed=-1: expected a whole number, 0 or more"),
        ("seed=1&seed=2", "seed= is given twice"),
        (
            "port=hand",
            "port=hand: expected one of card, hands, teacher, io (did you mean 'hands'?)",
        ),
        (
            "start=0,x",
            "start=0,x: expected angles in degrees, one a joint, as 0,60,-90,0,30,0",
        ),
    ],
)
def test_bad_urls(query: str, said: str) -> None:
    url = f"dryrig://heron?{query}"
    with pytest.raises(UrlError, match=f"^{re.escape(f'{url!r}: {said}')}$"):
        parse_url(url)


def test_another_scheme() -> None:
    with pytest.raises(UrlError, match=r"^'socket://x': expected dryrig://SCENE\?seed=N$"):
        parse_url("socket://x")
