"""The smallest example that Hypothesis finds, for tests of the strategies."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from hypothesis import HealthCheck, Phase, find, settings
from hypothesis import strategies as st

QUICK = settings(
    max_examples=2000,
    database=None,
    deadline=None,
    derandomize=True,
    phases=(Phase.generate, Phase.shrink),
    suppress_health_check=list(HealthCheck),
)


def minimal(strategy: st.SearchStrategy[Any], condition: Callable[[Any], bool] = bool) -> Any:
    """What a strategy shrinks to while a condition holds."""
    return find(strategy, condition, settings=QUICK)
