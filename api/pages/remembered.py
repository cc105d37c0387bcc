"""Answers that were made before and are still true: of one position of the ledger, and of one day."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Any, TypeVar

Made = TypeVar("Made")
_MOST = 96


class Remembered:
    """The last answers by what they were made of. Two who ask for the same at once may both make it."""

    def __init__(self) -> None:
        self._kept: OrderedDict[Hashable, Any] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, key: Hashable, make: Callable[[], Made]) -> Made:
        """What was made for this key, or made now. What `make` raises is not remembered."""
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                found: Made = self._kept[key]
                return found
        made = make()
        with self._lock:
            self._kept[key] = made
            while len(self._kept) > _MOST:
                self._kept.popitem(last=False)
        return made
