"""Landmarks carried forward: where an earlier film's landmarks should lie on a later film, as proposals.

The films are registered by what they show: features of both (SIFT: Lowe, Int J Comput Vision
2004;60:91) are matched, and the similarity (turn, scale, shift) that most matches agree on is taken
(RANSAC: Fischler & Bolles 1981). A registration that too few matches support, or whose scale
contradicts the films' own, is refused: then there are no proposals. Metal moves against bone between films:
where the metal that is found does not lie as the bone does, the bone alone counts, and pins found on both
films take their own landmarks along (`measure.pin_carry`); those of pins that are not followed are left out,
as a pin that backed out leaves them millimetres behind. What is carried is a place to start from and never a
measurement.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from measure.errors import CarryError, TurnedError
from measure.film import Film
from measure.geometry import Points
from measure.pin_carry import Hardware, find_hardware, pins_followed
from measure.prepare import Mask
from measure.reading import PROPOSED, Landmark, Reading
from measure.sites import load_site

WORKING_SIDE = 900  # pixels of the longer side that films are registered at
LOWE_RATIO = 0.8  # a match's distance over the next best one's (Lowe 2004, 7.1)
NEAR_ENOUGH = 4.0  # pixels of the working size within which a match agrees
FEWEST = 20  # matches that must agree; found on the sample films, where wrong pairs stay below
MOST_SCALE = 1.35  # limb films run from a magnification of 1.05 to 1.25; the rest is for detector pitch
MOST_TURN = 45.0  # degrees
AGREE_MM = 1.0  # between where bone alone and the whole film lay the landmarks: more, and metal has moved
ON_AXIS = ("tip", "straight")  # landmarks of a pin that lie on its axis


@dataclass(frozen=True)
class Registration:
    """Similarity from an earlier to a later film: (3, 3) on (row, column) pixels, and its support."""

    matrix: NDArray[np.float64]
    agreeing: int

    def __call__(self, points: Points) -> Points:
        """Points (n, 2) of the earlier film on the later one."""
        moved: Points = points @ self.matrix[:2, :2].T + self.matrix[:2, 2]
        return moved


def _never() -> bool:
    return False


def carry_forward(
    earlier: Film, later: Film, reading: Reading, stopped: Callable[[], bool] = _never
) -> dict[str, Landmark]:
    """Propose the earlier reading's located landmarks on the later film.

    Landmarks that would fall off the later film are left out, as are those of pins that cannot be followed
    for sure. All are proposals of origin "carried".
    Raises CarryError, with the reason, where the films cannot be registered; and where `stopped`, which
    is asked before each step of the work, says that nobody wants them any more.
    """
    hardware = []
    for film in (earlier, later):
        _go_on(stopped)
        hardware.append(find_hardware(film))
    placed = [mark.array for mark in reading.landmarks.values() if mark.located]
    if not placed:
        return {}
    bone = _register_bone(earlier, later, stopped, hardware, np.vstack(placed))
    limits = np.array(later.pixels.shape) - 1
    carried = {}
    for name, points in _laid(reading, hardware, bone).items():
        if np.all((points >= 0) & (points <= limits)):
            carried[name] = Landmark(PROPOSED, tuple(map(tuple, points.tolist())), origin="carried")
    return carried


def _register_bone(
    earlier: Film, later: Film, stopped: Callable[[], bool], hardware: Sequence[Hardware], points: Points
) -> Registration:
    """Register the films by bone: with its metal, which adds to what can be matched, where the two agree.

    They do where they lay points (n, 2) alike. Where bone alone shows too little, its metal has to do.
    """
    whole = register(earlier, later, stopped, turned=True)
    try:
        bone = register(earlier, later, stopped, [one.metal for one in hardware], turned=True)
    except CarryError:
        _go_on(stopped)
        return whole
    apart = np.linalg.norm(whole(points) - bone(points), axis=1).mean() * hardware[1].film.mm_per_px
    return whole if apart < AGREE_MM else bone


def _laid(reading: Reading, hardware: Sequence[Hardware], bone: Registration) -> dict[str, Points]:
    """Lay located landmarks on the later film: a pin's with the pin if that is followed, others by bone."""
    rows = load_site(reading.site).views[reading.view].landmark
    marks = {name: mark.array for name, mark in reading.landmarks.items() if mark.located}
    pins = {name: name.partition("_")[0] for name in marks if rows[name].part == "pin"}
    on_axis: dict[str, list[Points]] = {}
    for name, number in pins.items():
        if name.partition("_")[2] in ON_AXIS:
            on_axis.setdefault(number, []).append(marks[name])
    axes = {number: np.vstack(points) for number, points in on_axis.items()}
    followed = pins_followed(hardware[0], hardware[1], axes, bone)
    lays = {name: followed.get(pins[name]) if name in pins else bone for name in marks}
    return {name: lay(marks[name]) for name, lay in lays.items() if lay is not None}


def _go_on(stopped: Callable[[], bool]) -> None:
    if stopped():
        raise CarryError("Stopped, as asked. Place the landmarks by hand.")


def register(
    earlier: Film,
    later: Film,
    stopped: Callable[[], bool] = _never,
    hidden: Sequence[Mask | None] = (None, None),
    turned: bool = False,
) -> Registration:
    """Lay a later film on an earlier one. Raises CarryError where that cannot be trusted, or is stopped.

    hidden: masks, of any size, of what says nothing on either film, such as metal that may have moved.
    turned: whether one film may be stored turned against the other, by a quarter or more.
    """
    import cv2

    pictures, features = [], []
    for film, mask in zip((earlier, later), hidden, strict=True):
        _go_on(stopped)
        pictures.append(_picture(film))
        _go_on(stopped)
        features.append(_features(pictures[-1][0], mask))
    _go_on(stopped)
    source, target = _matches(*features)
    _go_on(stopped)
    if len(source) < FEWEST:
        raise CarryError(_refusal(f"only {len(source)} features match"))
    matrix, agrees = cv2.estimateAffinePartial2D(
        source, target, method=cv2.RANSAC, ransacReprojThreshold=NEAR_ENOUGH, maxIters=5000, confidence=0.999
    )
    agreeing = 0 if matrix is None else int(agrees.sum())
    if agreeing < FEWEST:
        raise CarryError(_refusal(f"only {agreeing} features agree on how they lie"))
    whole = _on_pixels(matrix, pictures[0][1], pictures[1][1])
    _refuse_implausible(matrix, turned)
    return Registration(whole, agreeing)


def _refusal(reason: str) -> str:
    return f"The films could not be laid over each other: {reason}. Place the landmarks by hand."


def _picture(film: Film) -> tuple[NDArray[np.uint8], Any]:
    """8-bit picture of square pixels at the working size, and the (row, column) factor to it."""
    import cv2

    shades = film.display()
    aspect = np.array(film.aspect)
    factor = aspect * WORKING_SIDE / (np.array(shades.shape) * aspect).max()
    rows, columns = np.maximum(np.round(np.array(shades.shape) * factor), 1).astype(int)
    small = cv2.resize(shades, (int(columns), int(rows)), interpolation=cv2.INTER_AREA)
    even = cv2.createCLAHE(clipLimit=3.0, tileGridSize=(8, 8)).apply((255 * small).astype(np.uint8))
    return even, np.array([rows, columns]) / np.array(shades.shape)


def _features(picture: NDArray[np.uint8], hidden: Mask | None) -> tuple[Any, Any]:
    import cv2

    detector = cv2.SIFT.create(nfeatures=4000, contrastThreshold=0.01)
    seen = None
    if hidden is not None:
        size = picture.shape[::-1]
        seen = 1 - cv2.resize(hidden.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    found: tuple[Any, Any] = detector.detectAndCompute(picture, seen)
    return found


def _matches(earlier: tuple[Any, Any], later: tuple[Any, Any]) -> tuple[Any, Any]:
    """Places (n, 2) as (x, y) of features that are each other's clear best match."""
    import cv2

    if any(described is None or len(described) < 2 for _, described in (earlier, later)):
        return np.empty((0, 2)), np.empty((0, 2))
    matcher = cv2.BFMatcher(cv2.NORM_L2)
    pairs = [
        best for best, second in matcher.knnMatch(earlier[1], later[1], k=2)
        if best.distance < LOWE_RATIO * second.distance
    ]  # fmt: skip
    back = {match.queryIdx: match.trainIdx for match in matcher.match(later[1], earlier[1])}
    mutual = [match for match in pairs if back.get(match.trainIdx) == match.queryIdx]
    source = np.array([earlier[0][match.queryIdx].pt for match in mutual], dtype=np.float32).reshape(-1, 2)
    target = np.array([later[0][match.trainIdx].pt for match in mutual], dtype=np.float32).reshape(-1, 2)
    return source, target


def _on_pixels(matrix: Any, factor: Any, later_factor: Any) -> NDArray[np.float64]:
    """Similarity in (x, y) of the working size, as an affine (3, 3) in (row, column) of the films."""
    whole = np.eye(3)
    whole[:2] = matrix[::-1][:, [1, 0, 2]]
    # A pixel's centre is at a whole number in both sizes: (i + 0.5) times the factor, less 0.5.
    down, up = np.eye(3), np.eye(3)
    down[:2, :2], down[:2, 2] = np.diag(factor), 0.5 * factor - 0.5
    up[:2, :2], up[:2, 2] = np.diag(1 / later_factor), 0.5 / later_factor - 0.5
    result: NDArray[np.float64] = up @ whole @ down
    return result


def _refuse_implausible(matrix: Any, turned: bool) -> None:
    scale = float(np.hypot(matrix[0, 0], matrix[1, 0]))
    turn = float(np.degrees(np.arctan2(matrix[1, 0], matrix[0, 0])))
    if not 1 / MOST_SCALE < scale < MOST_SCALE:
        raise CarryError(_refusal(f"one would be {scale:.2f} times as large as the other"))
    if abs(turn) > MOST_TURN and not turned:
        raise TurnedError(_refusal(f"one would be turned by {turn:.0f} degrees"))
