"""From stored value to shown grey: modality stage, VOI stage and padding (DICOM PS3.3 C.11, C.7.5.1.1.2)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from measure.film_elements import Elements, Pair, title

Values = NDArray[np.float64]


class LookUpTable(NamedTuple):
    """Table of PS3.3 C.11.1.1.1: the first value it maps, its outputs, and the bits of each."""

    first: int
    entries: NDArray[np.uint16]
    bits: int

    def look_up(self, values: Values) -> Values:
        """Return outputs for values of any shape; those outside the table get its first or last entry."""
        index = np.clip(values - self.first, 0, len(self.entries) - 1).astype(np.intp)
        return self.entries[index].astype(np.float64)


class Window(NamedTuple):
    """Window Center and Width, and the VOI LUT Function that goes with them."""

    centre: float
    width: float
    function: str


def _linear(values: Values, centre: float, width: float) -> Values:
    """PS3.3 C.11.2.1.2.1; a width of 1 is a threshold."""
    if width == 1:
        return (values > centre - 0.5).astype(np.float64)
    return np.clip((values - (centre - 0.5)) / (width - 1) + 0.5, 0, 1)


def _linear_exact(values: Values, centre: float, width: float) -> Values:
    """PS3.3 C.11.2.1.3.2."""
    return np.clip((values - centre) / width + 0.5, 0, 1)


def _sigmoid(values: Values, centre: float, width: float) -> Values:
    """PS3.3 C.11.2.1.3.1; the exponent is bounded, for far from the window it would overflow."""
    exponent: Values = np.clip(-4 * (values - centre) / width, -700, 700)
    return 1 / (1 + np.exp(exponent))


class _WindowFunction(NamedTuple):
    """How a window maps values to 0..1, and which widths PS3.3 allows it."""

    apply: Callable[[Values, float, float], Values]
    allows: Callable[[float], bool]


_WINDOW_FUNCTIONS = {
    "LINEAR": _WindowFunction(_linear, lambda width: width >= 1),
    "LINEAR_EXACT": _WindowFunction(_linear_exact, lambda width: width > 0),
    "SIGMOID": _WindowFunction(_sigmoid, lambda width: width > 0),
}


@dataclass(frozen=True, eq=False)
class GreyScale:
    """What a film says about its greys.

    Parameters
    ----------
    slope, intercept
        Rescale Slope and Intercept; not used where there is a modality table.
    modality, voi
        Tables; the VOI table is preferred to the window.
    window
        First window of the film.
    padding
        Lowest and highest stored value that is padding and no picture.
    linear
        Whether the file says that values grow with the beam itself (Pixel Intensity Relationship LIN), and
        not with its logarithm.
    """

    slope: float = 1.0
    intercept: float = 0.0
    modality: LookUpTable | None = None
    voi: LookUpTable | None = None
    window: Window | None = None
    padding: tuple[int, int] | None = None
    linear: bool = False

    def values(self, stored: NDArray[Any]) -> Values:
        """Output of the modality stage for stored values of any shape."""
        values = stored.astype(np.float64)
        return self.modality.look_up(values) if self.modality else values * self.slope + self.intercept

    def shades(self, values: Values, span: Pair) -> Values:
        """Output of the VOI stage, 0 to 1. A film without one is spread over `span`, (low, high)."""
        if self.voi:
            most: int = 2**self.voi.bits - 1
            return np.clip(self.voi.look_up(values) / most, 0, 1)
        if self.window:
            centre, width, function = self.window
            return _WINDOW_FUNCTIONS[function].apply(values, centre, width)
        low, high = span
        return np.clip((values - low) / ((high - low) or 1.0), 0, 1)

    def is_padding(self, stored: NDArray[Any]) -> NDArray[np.bool_]:
        """Which stored values are padding."""
        low, high = self.padding or (1, 0)
        return (stored >= low) & (stored <= high)


def grey_scale(elements: Elements, bits: int, signed: bool) -> GreyScale:
    """Grey scale of a film whose pixels have `bits` bits, signed or not."""
    slope, intercept = elements.numbers("RescaleSlope")[:1], elements.numbers("RescaleIntercept")[:1]
    if slope == (0.0,):
        elements.warn("Rescale Slope is 0 and was left out")
    usable = bool(slope and intercept and slope[0])
    grey = GreyScale(
        slope=slope[0] if usable else 1.0,
        intercept=intercept[0] if usable else 0.0,
        modality=_table(elements, "ModalityLUTSequence", signed),
        window=_window(elements),
        padding=_padding(elements, signed),
        linear=elements.code("PixelIntensityRelationship") == "LIN",
    )
    low = -(2 ** (bits - 1)) if signed else 0
    negative = bool(grey.values(np.array([low, low + 2**bits - 1])).min() < 0)
    return replace(grey, voi=_table(elements, "VOILUTSequence", negative))


def _window(elements: Elements) -> Window | None:
    centre, width = elements.numbers("WindowCenter"), elements.numbers("WindowWidth")
    if not (centre and width):
        return None
    function = elements.code("VOILUTFunction") or "LINEAR"
    if function not in _WINDOW_FUNCTIONS or not _WINDOW_FUNCTIONS[function].allows(width[0]):
        elements.warn("the film's window is not usable and was left out")
        return None
    return Window(centre[0], width[0], function)


def _padding(elements: Elements, signed: bool) -> tuple[int, int] | None:
    value, limit = elements.numbers("PixelPaddingValue"), elements.numbers("PixelPaddingRangeLimit")
    if not value:
        return None
    ends = [_sixteen_bits(int(number[0]), signed) for number in (value, limit or value)]
    return min(ends), max(ends)


def _sixteen_bits(value: int, signed: bool) -> int:
    """Read 16 bits anew as signed or unsigned: files often name the wrong one of US and SS."""
    value &= 0xFFFF
    return value - 0x10000 if signed and value > 0x7FFF else value


def _table(elements: Elements, keyword: str, signed: bool) -> LookUpTable | None:
    """Table in the first item of a sequence; `signed` says whether the values it maps may be negative."""
    item = elements.item(keyword)
    if item is None:
        return None
    try:
        count, first, bits = (int(number) & 0xFFFF for number in item.LUTDescriptor)
        entries = _entries(item.get_item("LUTData"), count or 0x10000)
    except Exception:  # whatever a damaged descriptor or data lead to
        bits, entries = 0, np.empty(0, np.uint16)
    if not (8 <= bits <= 16 and entries.size):
        elements.warn(f"{title(keyword)} is not usable and was left out")
        return None
    return LookUpTable(_sixteen_bits(first, signed), entries, bits)


def _entries(element: Any, count: int) -> NDArray[np.uint16]:
    """Entries of LUT Data, from the file's bytes: one to a word, or two of 8 bits; empty if too few."""
    words = np.frombuffer(element.value, dtype="<u2" if element.is_little_endian else ">u2").astype("<u2")
    if count > 1 and len(words) == (count + 1) // 2:
        words = words.view(np.uint8).astype(np.uint16)
    return words[:count] if len(words) >= count else words[:0]
