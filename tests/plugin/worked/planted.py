"""Five bugs that such a routine had in somebody's workshop: each one change of the sound one."""

SOUND = "wrist_homing.py"

BUGS = {
    "no time-out": [
        (
            "        if time.monotonic() > end:\n"
            '            raise HomingError(f"motion has not ended within {limit_s:.0f} s")\n',
            "        pass\n",
        )
    ],
    "backs off the wrong way from a pressed switch": [
        ("-TOWARDS[axis] * (BACK_OFF_DEG + 6)", "-abs(BACK_OFF_DEG + 6)"),
    ],
    "takes the switch to be sound": [
        (
            "        if levels(link) != [1, 1]:\n"
            '            raise HomingError("a switch that halted its axis is not pressed")\n',
            "        levels(link)\n",
        ),
        ("        if abs(apart) > 0.5:", "        if abs(apart) > 360:"),
        ("    if any(abs(after", "    if False and any(abs(after"),
        ("        if now[axis]:", "        if False:"),
    ],
    "trusts the first reply after a reconnect": [
        (
            "        for _ in range(tries):\n",
            "        for attempt in range(tries):\n"
            "            if attempt:\n"
            "                self.port.close()\n"
            "                self.port.open()\n",
        ),
        (
            "                if last == str(number):",
            "                if attempt or last == str(number):",
        ),
    ],
    "does not wait for the other joint": [
        (
            'while any(link.integers("WAIT? 0.2;:STEP:MOV? (@4,5)", 3)[1:]):',
            'while all(link.integers("WAIT? 0.2;:STEP:MOV? (@4,5)", 3)[1:]):',
        )
    ],
}


def with_bug(source: str, name: str) -> str:
    """The routine's text with a bug in it."""
    for old, new in BUGS[name]:
        assert source.count(old) == 1, (name, old)
        source = source.replace(old, new)
    return source
