"""One port at a TCP address, worked by hand: no loop, no waiting."""

from __future__ import annotations

import contextlib
import socket
import struct
from collections.abc import Iterator

import pytest
from serial import rfc2217

from dryrig.protocol.intake import OUTPUT_LIMIT, AsTheyCome
from dryrig.protocol.links import ServeError
from dryrig.protocol.listen import Address, addresses, parse_address
from dryrig.protocol.poller import Poller
from dryrig.protocol.station import Station
from dryrig.protocol.tcp_port import TcpPort

DEADLINE_S = 60


@pytest.fixture(scope="module")
def station() -> Iterator[Station]:
    with Station.build("heron", seed=1) as station:
        yield station


@pytest.fixture(params=["socket", "rfc2217"])
def tcp(station: Station, request: pytest.FixtureRequest) -> Iterator[TcpPort]:
    tcp = TcpPort(station.ports["card"], Address(request.param, "127.0.0.1", 0), AsTheyCome())
    yield tcp
    tcp.close()


@pytest.fixture
def plain(station: Station) -> Iterator[TcpPort]:
    tcp = TcpPort(station.ports["card"], Address("socket", "127.0.0.1", 0), AsTheyCome())
    yield tcp
    tcp.close()


def host(tcp: TcpPort) -> socket.socket:
    where = parse_address(tcp.address)
    return socket.create_connection((where.host, where.port), timeout=DEADLINE_S)


def work(tcp: TcpPort) -> None:
    """Let the port do what there is to do, however long the bytes take to come."""
    poller = Poller()
    while poller.wait(tcp.wanted(), 0.0):
        tcp.turn()


def ask(tcp: TcpPort, end: socket.socket, text: bytes) -> bytes:
    """The reply, Telnet's own words left out."""
    if text:
        end.sendall(text)
    poller = Poller()
    reply = b""
    while not reply.endswith(b"\n"):
        tcp.turn()
        if poller.wait([(end.fileno(), 1)], 0.0):
            reply += end.recv(4096)
        else:
            poller.wait(tcp.wanted(), 0.01)
    return reply


def drop(end: socket.socket) -> None:
    """Close as a program does that is killed with replies unread: TCP sends a reset."""
    end.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    end.close()


def test_a_question_is_answered(tcp: TcpPort) -> None:
    with host(tcp) as end:
        assert ask(tcp, end, b"*TST?\n").endswith(b"0\n")


@pytest.mark.parametrize("wrote", [b"", b"*TST?\n"])
def test_one_program_at_a_time_and_the_second_is_told_so(plain: TcpPort, wrote: bytes) -> None:
    with host(plain) as first:
        assert ask(plain, first, b"*TST?\n") == b"0\n"
        with host(plain) as second:
            said = ask(plain, second, wrote)
            assert said == b"dryrig: another program is on the card port; it has room for one\n"
            assert second.recv(9) == b""
        assert ask(plain, first, b"*TST?\n") == b"0\n"
    with host(plain) as third:
        assert ask(plain, third, b"*TST?\n") == b"0\n"


def test_hosts_that_follow_each_other_unseen(tcp: TcpPort) -> None:
    for number in range(20):
        first = host(tcp)
        first.sendall(b"STEP:COUN %d,(@1)\n*IDN?\nWAIT? 300\n*IDN?\nSYST:VE" % number)
        (drop if number % 2 else socket.socket.close)(first)
        with host(tcp) as second:
            assert ask(tcp, second, b"*TST?\n").endswith(b"0\n")


def test_what_a_host_sent_whole_is_carried_out_and_answered(plain: TcpPort) -> None:
    with host(plain) as end:
        end.sendall(b"STEP:COUN 7,(@1);COUN? (@1)\nSTEP:COUN 9")
        end.shutdown(socket.SHUT_WR)
        assert ask(plain, end, b"") == b"7\n"
        work(plain)
        assert end.recv(9) == b""
    assert plain.port.rig.card.steps(0) == 7


def test_a_wait_of_a_host_that_left_does_not_hold_the_next(tcp: TcpPort) -> None:
    first = host(tcp)
    assert ask(tcp, first, b"*TST?\nWAIT? 300\n").endswith(b"0\n")
    assert tcp.port.busy
    drop(first)
    with host(tcp) as second:
        assert ask(tcp, second, b"*TST?\n").endswith(b"0\n")
        assert not tcp.port.busy


def test_a_host_that_never_reads_blocks_nothing(tcp: TcpPort) -> None:
    tcp.port.dialect.receive(b"*CLS\n")
    end = host(tcp)
    end.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    end.setblocking(False)
    for _ in range(4000):
        with contextlib.suppress(BlockingIOError):
            end.send(b"*IDN?\n" * 100)
        tcp.turn()
        assert len(tcp.port.output) < 2 * OUTPUT_LIMIT
    drop(end)
    with host(tcp) as end:
        said = ask(tcp, end, b"SYST:ERR?\n")
        assert said.endswith(b'-430,"Query DEADLOCKED;replies were not read and are lost"\n')


def test_the_host_sees_the_end(tcp: TcpPort) -> None:
    with host(tcp) as end:
        assert ask(tcp, end, b"*TST?\n").endswith(b"0\n")
        tcp.close()
        assert end.recv(99) == b""


def test_a_telnet_escape_among_the_data_is_one_byte(station: Station) -> None:
    tcp = TcpPort(station.ports["card"], Address("rfc2217", "127.0.0.1", 0), AsTheyCome())
    station.ports["card"].dialect.receive(b"*CLS\n")
    with host(tcp) as end:
        ask(tcp, end, b"\xff\xffX\n*TST?\n")
        said = ask(tcp, end, b"SYST:ERR?\n")
        assert said == b'-101,"Invalid character;byte 255 in a message; plain ASCII only"\n'
    tcp.close()


@pytest.mark.parametrize(
    "broken",
    [
        rfc2217.SET_BAUDRATE + b"\x01",
        rfc2217.SET_PARITY + b"\x77",
        rfc2217.SET_STOPSIZE + b"\x77",
        rfc2217.SET_LINESTATE_MASK,
        b"",
        b"\x01" * 4000,
    ],
)
def test_broken_parameters_are_passed_over(station: Station, broken: bytes) -> None:
    tcp = TcpPort(station.ports["card"], Address("rfc2217", "127.0.0.1", 0), AsTheyCome())
    start = rfc2217.IAC + rfc2217.SB + rfc2217.COM_PORT_OPTION
    end_of_it = rfc2217.IAC + rfc2217.SE
    with host(tcp) as end:
        ask(tcp, end, start + broken + end_of_it + end_of_it + b"\n*TST?\n")
        assert ask(tcp, end, b"*TST?\n") == b"0\n"
    tcp.close()


@pytest.mark.parametrize(
    ("text", "read"),
    [
        ("4001", "socket://127.0.0.1:4001"),
        (":4001", "socket://127.0.0.1:4001"),
        ("0.0.0.0:0", "socket://0.0.0.0:0"),
        ("RFC2217://localhost:7", "rfc2217://localhost:7"),
        ("[::1]:4001", "socket://[::1]:4001"),
    ],
)
def test_addresses_as_people_write_them(text: str, read: str) -> None:
    assert str(parse_address(text)) == read


def test_the_other_ports_follow_the_card() -> None:
    assert [str(each) for each in addresses("rfc2217://127.0.0.1:4001").values()] == [
        "rfc2217://127.0.0.1:4001",
        "rfc2217://127.0.0.1:4002",
        "rfc2217://127.0.0.1:4003",
        "rfc2217://127.0.0.1:4004",
    ]
    assert {each.port for each in addresses("0").values()} == {0}
    assert list(addresses(None, "4002")) == ["hands"]
    assert addresses(None) == {}


def test_beyond_this_machine_only_what_was_said() -> None:
    found = addresses("0.0.0.0:4001", teacher="10.0.0.1:9")
    assert [each.is_loopback for each in found.values()] == [False, True, False, True]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            "here",
            r"^address 'here': got port 'here', expected 0 to 65535, as 127\.0\.0\.1:4001 or ",
        ),
        ("1.2.3.4:65536", r"got port '65536'"),
        ("sockets://:1", r"expected socket:// or rfc2217:// \(did you mean 'socket'\?\)$"),
        ("65535", r"^the hands port would be at 65536, past 65535: give --hands-listen, or a "),
    ],
)
def test_bad_addresses_say_what_was_expected(text: str, said: str) -> None:
    with pytest.raises(ServeError, match=said):
        addresses(text)


def test_two_ports_at_one_address() -> None:
    with pytest.raises(ServeError, match=r"address of both the card and the hands port$"):
        addresses("4001", "4001")
