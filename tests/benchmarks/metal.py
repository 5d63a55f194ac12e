"""How long the film's metal takes to find on a 3000 x 2400 film, beside frangi with a probabilistic Hough.

Run it: `python tests/benchmarks/metal.py`. Processor time, least of three (of one for the slow baseline).
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
from skimage.filters import frangi
from skimage.transform import probabilistic_hough_line

from measure import phantom, phantom_film
from measure.features import find_features
from measure.film import Film, Spacing
from measure.pins import find_pins
from measure.prepare import prepare
from measure.propose import propose
from measure.sites import load_site
from measure.snap import snap


def seconds(run: Callable[[], object], times: int = 3) -> float:
    """Least processor time of a few runs."""
    taken = []
    for _ in range(times):
        started = time.process_time()
        run()
        taken.append(time.process_time() - started)
    return min(taken)


def baseline(density: np.ndarray) -> object:
    """Ridges and lines as scikit-image finds them."""
    seen = frangi(density, sigmas=[4, 6], black_ridges=False)
    return probabilistic_hough_line(seen > np.quantile(seen, 0.98), line_length=300, line_gap=10, rng=1)


if __name__ == "__main__":
    cv2.setNumThreads(1)
    rng = np.random.default_rng(1)
    pose = replace(phantom.random_pose(rng, "lateral"), pitch=(0.1, 0.1), shape=(2400, 3000))
    case = phantom.random_case(rng, pose)
    pixels = phantom_film.render(case, rng).pixels
    film = Film(pixels=pixels, photometric=f"MONOCHROME{case.exposure.monochrome}", spacing=Spacing(imager=(0.1, 0.1)), view="lateral")  # fmt: skip  # noqa: E501
    prepared = prepare(film)
    pins = find_pins(prepared)
    features, click = find_features(film, "lateral"), tuple(phantom.landmarks(case)["shaft_dorsal"].film[0])
    slow = seconds(lambda: baseline(prepared.density), 1)
    for name, taken in (
        ("prepare", seconds(lambda: prepare(film))),
        ("pins", seconds(lambda: find_pins(prepared))),
        ("all proposals", seconds(lambda: propose(film, load_site("olecranon"), "lateral"))),
        ("snap", seconds(lambda: snap(features, "shaft_dorsal", click))),
        ("frangi and probabilistic Hough", slow),
    ):
        print(f"{name}: {1000 * taken:.1f} ms, {slow / taken:.0f} times as fast as the baseline")
    print(f"{len(pins)} pins")
