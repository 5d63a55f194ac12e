"""The greys of a session's films as they are shown: worked out once, windowed, inverted. No Qt."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

import numpy as np
from numpy.typing import NDArray

from viewer import layers
from viewer.session import Session

Limits = tuple[float, float]


class Greys:
    """By the session's numbers of films: greys as shown, limits of grey, and which films are inverted.

    What a reader has set stays for the session; of greys only those of films that are near are kept.
    """

    def __init__(self, session: Session) -> None:
        self.session = session
        self.shades: dict[int, Any] = {}
        self.windows: dict[int, Limits] = {}
        self.inverted: set[int] = set()

    def shades_of(self, number: int) -> Any:
        """Greys of a film; where they are not known, those of the two films on the canvas alone are kept."""
        if number not in self.shades:
            self.keep_only({self.session.index, self.session.current})
            self.shades[number] = self.session.films[number].display()
        return self.shades[number]

    def keep_only(self, numbers: Collection[int]) -> None:
        """Let go of the greys of all other films."""
        self.shades = {number: shades for number, shades in self.shades.items() if number in numbers}

    def window_of(self, number: int) -> Limits:
        """Limits of grey of a film: the reader's, else a sensible start."""
        if number not in self.windows:
            film = self.session.films[number]
            self.windows[number] = layers.starting_window(self.shades_of(number), film.padding_mask())
        return self.windows[number]

    def colormap_of(self, number: int) -> str:
        """Napari's name for the way from black to white, or round."""
        return "gray_r" if number in self.inverted else "gray"

    def mean(self, number: int, points: NDArray[np.float64]) -> float:
        """Mean grey, 0 to 1, at (n, 2) points of a film as it is shown."""
        return layers.mean_grey(self.shades_of(number), self.window_of(number), points)
