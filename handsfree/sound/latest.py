"""The things made last, each for a key: as many as are worth the memory."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from typing import Generic, TypeVar

Made = TypeVar("Made")


class Latest(Generic[Made]):
    """Keeps ``most`` things, those that were asked for last; ``drop`` is told of each that has to go."""

    def __init__(self, most: int, drop: Callable[[Made], None] = lambda _: None) -> None:
        self._most = most
        self._drop = drop
        self._kept: OrderedDict[str, Made] = OrderedDict()

    def get(self, key: str, make: Callable[[], Made]) -> Made:
        """What was made for a key, or is made now."""
        if key not in self._kept:
            self._kept[key] = make()
            if len(self._kept) > self._most:
                self._drop(self._kept.popitem(last=False)[1])
        self._kept.move_to_end(key)
        return self._kept[key]
