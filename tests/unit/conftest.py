"""Fixtures that several of these files use."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from at_rest import REST

from dryrig.protocol.station import Station


@pytest.fixture
def station() -> Iterator[Station]:
    """A Heron of seed 1 at rest."""
    with Station.build("heron", seed=1, start_pose_deg=REST) as station:
        yield station
