"""Where words, marks and the inset go on the canvas, so that they hide little and nothing is cut. No Qt.

Places are (row, column) in screen pixels; boxes are (top, left, bottom, right).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

Places = NDArray[np.float64]
Offset = tuple[float, float]

MARK_PX, LEAST_MARK_PX = 11.0, 3.5
RIM_PX, LEAST_RIM_PX, RIM_SHARE = 1.5, 0.8, 0.2  # of a mark; half of it lies outside
APART = 0.75  # marks are at most this share of the way to their nearest neighbour wide
CLEAR, LEAST_CLEAR_PX = 0.9, 6.0  # likewise of what labels keep off, which is wider
LABEL_HEIGHT, LETTER_PX, LABEL_RIM = 13.0, 8.5, 3.0
REACHES = (6.0, 15.0, 27.0)  # between a mark and its label; beyond the first, a line leads to it
SIDES = np.array([(-1, 1), (1, 1), (-1, -1), (1, -1), (-1, 0), (1, 0), (0, 1), (0, -1)], dtype=np.float64)
INSET_PX, INSET_SHARE = 176, 0.36  # side of the inset, and the share of the canvas's height it may take
EDGE_PX = 10.0
CLEAR_PX = 30.0  # the inset keeps this far off the cursor
# What a caption does without, in this order, until it has room.
SHORTER = (
    (re.compile(r", [^,()]*\)$"), ")"),
    (re.compile(r" after surgery"), ""),
    (re.compile(r"^(Index|Current) film"), r"\1"),
    (re.compile(r" \([^()]*\)$"), ""),
    (re.compile(r" · (not read yet|working reading|reading saved)$"), ""),
)


def mark_sizes(places: Places) -> NDArray[np.float64]:
    """Widths (n,) of marks at (n, 2) places: as large as they may be without touching, within limits."""
    return _between(places, APART, LEAST_MARK_PX)


def _between(places: Places, share: float, least: float) -> NDArray[np.float64]:
    """Share (n,) of the way from each of (n, 2) places to its nearest neighbour, from least to MARK_PX."""
    if len(places) < 2:
        return np.full(len(places), MARK_PX)
    far = np.linalg.norm(places[:, None] - places[None], axis=-1)
    np.fill_diagonal(far, np.inf)
    sizes: NDArray[np.float64] = np.clip(share * far.min(axis=1), least, MARK_PX)
    return sizes


def rim_widths(sizes: NDArray[np.float64]) -> NDArray[np.float64]:
    """Widths (n,) of the rims of marks of these sizes."""
    widths: NDArray[np.float64] = np.clip(RIM_SHARE * sizes, LEAST_RIM_PX, RIM_PX)
    return widths


def label_size(words: str) -> Offset:
    """Height and width that a label takes, its rim with it."""
    return LABEL_HEIGHT + LABEL_RIM, LETTER_PX * len(words) + LABEL_RIM


def label_offsets(
    places: Places,
    words: Sequence[str],
    order: Sequence[int],
    certain: frozenset[int] = frozenset(),
    near: frozenset[int] = frozenset(),
) -> list[Offset | None]:
    """From each mark at (n, 2) places to the middle of its label; None where there is no room, or no words.

    Labels are set in the order given, each as near to its mark as it hides no mark and no other label; those
    that are certain stand at the nearest place even so, and those that are near there or nowhere.
    """
    half = 0.5 * _between(places, CLEAR, LEAST_CLEAR_PX)[:, None]
    taken = np.concatenate([places - half, places + half], axis=1)
    labels = np.empty((0, 4))
    found: list[Offset | None] = [None] * len(places)
    for number in order:
        if not words[number]:
            continue
        place, size = places[number], np.array(label_size(words[number]))
        offset = _first_free(place, size, taken, labels, REACHES[:1] if number in near else REACHES)
        if offset is None and number in certain:
            offset = SIDES[0] * (size / 2 + REACHES[0])
        if offset is not None:
            found[number] = float(offset[0]), float(offset[1])
            box = np.concatenate([place + offset - size / 2, place + offset + size / 2])[None]
            labels = np.concatenate([labels, box])
            taken = np.concatenate([taken, box, _leads(place, offset[None])[0]])
    return found


def _first_free(
    place: Places, size: Places, taken: Places, labels: Places, reaches: Sequence[float]
) -> Places | None:
    """Return the nearest offset (2,) at which a label lies on nothing taken, nor its line on a label."""
    for reach in reaches:
        offsets = SIDES * (size / 2 + reach)
        middles = place + offsets
        boxes = np.concatenate([middles - size / 2, middles + size / 2], axis=1)
        free = ~_overlap(boxes, taken).any(axis=-1)
        if reach > REACHES[0] and free.any():
            free &= ~_overlap(_leads(place, offsets), labels).any(axis=(-1, -2))
        if free.any():
            first: Places = offsets[int(np.argmax(free))]
            return first
    return None


def _leads(place: Places, offsets: Places) -> Places:
    """Small boxes (n, 4, 4) along the lines from a mark to labels that stand (n, 2) off it."""
    steps = place + offsets[:, None] * np.array([0.3, 0.45, 0.6, 0.75])[:, None]
    return np.concatenate([steps - 1.0, steps + 1.0], axis=-1)


def is_led(words: str, offset: Offset) -> bool:
    """Whether a label stands so far off its mark that a line leads to it."""
    height, width = label_size(words)
    return max(abs(offset[0]) - height / 2, abs(offset[1]) - width / 2) > REACHES[0] + 1


def _overlap(a: Places, b: Places) -> NDArray[np.bool_]:
    """Whether boxes (..., 4) overlap boxes (m, 4): (..., m)."""
    one = a[..., None, :]
    lie: NDArray[np.bool_] = np.all((one[..., :2] < b[:, 2:]) & (b[:, :2] < one[..., 2:]), axis=-1)
    return lie


def inset_side(canvas_height: float) -> int:
    """Side of the inset on a canvas of this height."""
    return int(min(INSET_PX, INSET_SHARE * canvas_height))


def inset_place(
    spots: Sequence[Offset],
    side: float,
    cursor: Offset,
    hides: Callable[[Offset], float],
    last: Offset | None = None,
) -> Offset:
    """Return that of the (top, left) spots where the inset hides least and is off the cursor.

    `hides` says what it would hide at a spot; the last spot stays where another is no better.
    """

    def cost(spot: Offset) -> tuple[bool, float, bool]:
        near = all(-CLEAR_PX < at - start < side + CLEAR_PX for at, start in zip(cursor, spot, strict=True))
        return near, round(hides(spot), 1), spot != last

    return min(spots, key=cost)


def shortened(line: str, fits: Callable[[str], bool]) -> str:
    """Return a caption's line as it has room: in steps, then without its last words; never cut in a word."""
    for pattern, less in SHORTER:
        if fits(line):
            return line
        line = pattern.sub(less, line)
    while not fits(line) and " " in line:
        line = line.rsplit(" ", 1)[0].rstrip(" ·(,")
    return line
