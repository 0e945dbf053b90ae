"""Parts of a rig that nobody sees before what is due has been done to them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Generic, TypeVar

if TYPE_CHECKING:
    from .rig import Rig

T = TypeVar("T")


class Looked(Generic[T]):
    """An attribute of `Rig`: looking at it fits the parts that are due first.

    So faults that come and go at one instant, with nobody looking, leave nothing behind.
    """

    def __set_name__(self, owner: type, name: str) -> None:
        self._name = name

    def __get__(self, rig: Rig, owner: type) -> T:
        if rig.due is not None:
            rig.fit_due()
        value: T = rig.__dict__[self._name]
        return value

    def __set__(self, rig: Rig, value: T) -> None:
        rig.__dict__[self._name] = value
