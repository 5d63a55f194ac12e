"""Elements of a DICOM header, read tolerantly: what cannot be used is left out, with a warning in words."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

Pair = tuple[float, float]


def title(keyword: str) -> str:
    """Name of an element as DICOM writes it: "Pixel Spacing" for PixelSpacing."""
    from pydicom.datadict import dictionary_description

    return str(dictionary_description(keyword))


def whole(dataset: Any, keyword: str) -> int | None:
    """Whole number in a data set, or None."""
    try:
        return int(dataset.get(keyword))
    except Exception:  # absent, or whatever pydicom meets in a damaged value
        return None


class Elements:
    """Elements that hold for one frame (`index`, from 0) of a pydicom data set."""

    def __init__(self, dataset: Any, index: int = 0) -> None:
        self.dataset = dataset
        self.warnings: list[str] = []
        groups = [
            *self._items(dataset, "PerFrameFunctionalGroupsSequence")[index : index + 1],
            *self._items(dataset, "SharedFunctionalGroupsSequence")[:1],
        ]
        # The macros of an enhanced film lie one sequence down. Those nearest to the frame come first.
        macros = [(group, tag) for group in groups for tag in list(group.keys())]
        self._places = [*(item for group, tag in macros for item in self._items(group, tag)[:1]), dataset]

    def warn(self, words: str) -> None:
        """Note something, once."""
        if words not in self.warnings:
            self.warnings.append(words)

    def item(self, keyword: str) -> Any:
        """First item of a sequence, or None."""
        return next((items[0] for place in self._places if (items := self._items(place, keyword))), None)

    def text(self, keyword: str) -> str | None:
        """One text without the blanks around it, or None."""
        value = self._value(keyword)
        if value is None or isinstance(value, str):
            return (value or "").strip() or None
        self.warn(f"{title(keyword)} is not one text and was left out")
        return None

    def code(self, keyword: str) -> str:
        """Text of a defined term, in capitals; empty where absent."""
        return (self.text(keyword) or "").upper()

    def numbers(self, keyword: str) -> tuple[float, ...]:
        """Finite numbers, as many as there are; none where absent or not such."""
        value = self._value(keyword)
        if value is None:
            return ()
        several = isinstance(value, Iterable) and not isinstance(value, str | bytes)
        try:
            numbers = tuple(float(item) for item in (value if several else (value,)))
        except (TypeError, ValueError):
            numbers = ()
        if numbers and all(map(math.isfinite, numbers)):
            return numbers
        self.warn(f"{title(keyword)} is no usable number and was left out")
        return ()

    def length(self, keyword: str) -> float | None:
        """One positive number, or None."""
        numbers = self._positive(keyword, 1)
        return numbers[0] if numbers else None

    def pair(self, keyword: str) -> Pair | None:
        """Two positive numbers, or None."""
        numbers = self._positive(keyword, 2)
        return (numbers[0], numbers[1]) if numbers else None

    def _positive(self, keyword: str, count: int) -> tuple[float, ...]:
        numbers = self.numbers(keyword)
        if not numbers or (len(numbers) == count and min(numbers) > 0):
            return numbers
        received = " and ".join(f"{number:g}" for number in numbers[: count + 1])
        expected = "one positive number" if count == 1 else f"{count} positive numbers"
        self.warn(f"{title(keyword)} is {received}, not {expected}, and was left out")
        return ()

    def _value(self, keyword: str) -> Any:
        """First value that is there and not empty, or None."""
        for place in self._places:
            try:
                value = place.get(keyword)
            except Exception:  # pydicom raises what it meets in a damaged value
                self.warn(f"{title(keyword)} cannot be read and was left out")
                continue
            if value is not None and value != "" and value != []:
                return value
        return None

    def _items(self, place: Any, tag: Any) -> Sequence[Any]:
        try:
            element = place[tag] if tag in place else None  # noqa: SIM401 (get would give a value)
            items: Sequence[Any] = element.value if element is not None and element.VR == "SQ" else ()
        except Exception:
            self.warn("a sequence of the header cannot be read and was left out")
            return ()
        return items
