"""RFC 2217 by pyserial's own server part: a serial port's settings and control lines over TCP.

What a host sets is kept; CTS, DSR and CD read true, RI false, as on the in-process port.
"""

from __future__ import annotations

import struct
from typing import Any, cast

from serial import rfc2217

from .port import Port

# Telnet's escape, which doubles a data byte of the same value.
IAC = 0xFF
# No parameter is longer; a host that sends one for ever must not fill the memory.
PARAMETER_LIMIT = 256


class Settings:
    """A port's settings as its host sets them; at first 8N1 at the card's rate, or 115200 baud."""

    def __init__(self, port: Port) -> None:
        self._port = port
        self._baudrate = port.uart.baud if port.uart is not None else 115_200
        self.bytesize, self.parity, self.stopbits = 8, "N", 1.0
        self.xonxoff = self.rtscts = self.break_condition = False
        self.dtr = self.rts = True
        self.cts = self.dsr = self.cd = True
        self.ri = False

    @property
    def baudrate(self) -> int:
        """Bits a second."""
        return self._baudrate

    @baudrate.setter
    def baudrate(self, baud: int) -> None:
        self._baudrate = baud
        self._port.host_at(baud)

    def reset_input_buffer(self) -> None:
        """Drop the replies that have not been sent yet."""
        self._port.output.clear()

    def reset_output_buffer(self) -> None:
        """Nothing is ever left to send."""


class _Sink:
    """What PortManager answers by itself goes out among the data."""

    def __init__(self, out: bytearray) -> None:
        self._out = out

    def write(self, data: bytes) -> None:
        """Send that."""
        self._out += data


class Rfc2217:
    """One connection of a host. What is not data is answered on `out` by itself."""

    def __init__(self, port: Port, out: bytearray) -> None:
        self.settings = Settings(port)
        self._manager = rfc2217.PortManager(cast(Any, self.settings), cast(Any, _Sink(out)))

    def decode(self, data: bytes) -> bytes:
        """The data in what has come; a parameter that cannot be read is passed over."""
        manager = self._manager
        if IAC not in data and manager.mode == rfc2217.M_NORMAL and manager.suboption is None:
            return data
        found = bytearray()
        for value in data:
            try:
                for byte in manager.filter(bytes((value,))):
                    found += byte
            except (ValueError, TypeError, KeyError, struct.error):
                manager.mode, manager.suboption = rfc2217.M_NORMAL, None
            if manager.suboption is not None and len(manager.suboption) > PARAMETER_LIMIT:
                manager.suboption = None
        return bytes(found)

    def encode(self, data: bytes) -> bytes:
        """Data as it is to be sent."""
        return data.replace(b"\xff", b"\xff\xff")
