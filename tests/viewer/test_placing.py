"""Where labels, marks, captions and the inset go, without a window."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from viewer import placing

# The six marks at the bends of two pins on a phantom film, as a whole film shows them on a laptop.
BENDS = np.array([[262.0, 318], [266, 331], [258, 325], [270, 322], [264, 311], [268, 329]])


def boxes_of(places: np.ndarray, words: list[str], offsets: list[placing.Offset | None]) -> np.ndarray:
    """Boxes (n, 4) of the labels that are shown."""
    sizes = [placing.label_size(text) for text in words]
    shown = [n for n, offset in enumerate(offsets) if offset is not None]
    middles = np.array([places[n] + np.array(offsets[n]) for n in shown])
    half = np.array([sizes[n] for n in shown]) / 2
    return np.concatenate([middles - half, middles + half], axis=1)


def overlap(a: np.ndarray, b: np.ndarray) -> bool:
    """Whether two boxes overlap."""
    return bool(np.all(a[:2] < b[2:]) and np.all(b[:2] < a[2:]))


def test_labels_hide_neither_each_other_nor_a_mark() -> None:
    """Six marks that nearly touch all get their label, and none lies on another or on a mark."""
    words = [f"{n}?" for n in range(12, 18)]
    offsets = placing.label_offsets(BENDS, words, range(6))
    assert None not in offsets
    boxes = boxes_of(BENDS, words, offsets)
    assert not any(overlap(a, b) for a, b in itertools.combinations(boxes, 2))
    half = placing.mark_sizes(BENDS)[:, None] / 2
    marks = np.concatenate([BENDS - half, BENDS + half], axis=1)
    assert not any(overlap(label, mark) for label, mark in itertools.product(boxes, marks))
    beside = boxes_of(BENDS, words, [(-13.0, 16.0)] * 6)  # all to the upper right, as labels were once set
    assert any(overlap(a, b) for a, b in itertools.combinations(beside, 2))


def test_only_labels_at_a_distance_have_a_line() -> None:
    """A mark alone bears its label close by; of the crowded ones some are led to theirs."""
    alone = placing.label_offsets(np.array([[50.0, 50.0]]), ["3a"], [0])
    assert alone[0] is not None
    assert not placing.is_led("3a", alone[0])
    crowded = placing.label_offsets(BENDS, ["12?"] * 6, range(6))
    assert any(offset and placing.is_led("12?", offset) for offset in crowded)


def test_near_labels_stand_close_by_or_nowhere() -> None:
    """What waits for nobody leaves the film free; what is certain stands even where it hides something."""
    near = placing.label_offsets(BENDS, ["12"] * 6, range(6), near=frozenset(range(6)))
    assert None in near
    assert not any(offset and placing.is_led("12", offset) for offset in near)
    heap = np.zeros((40, 2))
    certain = placing.label_offsets(heap, ["1"] * 40, range(40), certain=frozenset({39}))
    assert certain[39] is not None
    assert None in certain


def test_marks_do_not_touch() -> None:
    """Marks shrink where they crowd, each to less than the way to its neighbour, and are never too small."""
    for zoomed in (2.0, 3.0):  # a whole film on a laptop, and as one zooms in a little
        places = BENDS * zoomed
        sizes = placing.mark_sizes(places)
        wide = sizes + placing.rim_widths(sizes)
        for a, b in itertools.combinations(range(6), 2):
            assert (wide[a] + wide[b]) / 2 < np.linalg.norm(places[a] - places[b])
    assert sizes.min() >= placing.LEAST_MARK_PX
    assert placing.mark_sizes(places[:1]).tolist() == [placing.MARK_PX]
    assert np.linalg.norm(places[1] - places[5]) < placing.MARK_PX  # at full size these two would touch


@pytest.mark.parametrize("room", range(6, 90, 4))
@pytest.mark.parametrize(
    "line",
    [
        "Current film · 2026-02-22 · day 92 after surgery",
        "lateral · side not stated · working reading",
        "0.1043 mm/px ± 9.8 % (detector spacing, usual magnification 1.15 assumed)",
    ],
)
def test_captions_are_never_cut_in_a_word(line: str, room: int) -> None:
    """However little room there is, what is left are whole words, in their order, with brackets closed."""
    said = placing.shortened(line, lambda words: len(words) <= room)
    assert len(said) <= max(room, len("Current"), len("lateral"), len("0.1043"))
    words = iter([word.strip("(),") for word in line.split()])
    assert all(word.strip("(),") in words for word in said.split())
    assert said.count("(") == said.count(")") or said.endswith("%")


def test_a_caption_goes_without_in_steps() -> None:
    """The day stays longer than the words round it, the kind of scale longer than how it is known."""
    line = "Current film · 2026-02-22 · day 92 after surgery"
    assert placing.shortened(line, lambda words: len(words) < 40) == "Current film · 2026-02-22 · day 92"
    line = "0.1043 mm/px ± 9.8 % (detector spacing, usual magnification 1.15 assumed)"
    assert placing.shortened(line, lambda words: len(words) < 50) == "0.1043 mm/px ± 9.8 % (detector spacing)"


def test_the_inset_keeps_off_the_cursor_and_hides_least() -> None:
    """Wherever the cursor is, the inset is elsewhere; it moves only where another place is better."""
    spots = [(210.0, 290.0), (210.0, 10.0), (80.0, 290.0), (80.0, 10.0)]
    side, hides = 120.0, {spots[0]: 5.0, spots[1]: 1.0, spots[2]: 1.0, spots[3]: 3.0}.__getitem__
    for cursor in itertools.product(range(0, 340, 20), range(0, 420, 20)):
        top, left = placing.inset_place(spots, side, cursor, hides)
        assert not (top <= cursor[0] <= top + side and left <= cursor[1] <= left + side)
    far = (10.0, 200.0)
    assert placing.inset_place(spots, side, far, hides) == spots[1]
    assert placing.inset_place(spots, side, far, hides, last=spots[2]) == spots[2]
    assert placing.inset_place(spots, side, far, hides, last=spots[0]) == spots[1]
    assert placing.inset_side(340.0) < 0.4 * 340
