"""Napari's canvas: where it keeps camera, grid and widget, and where the places of a film lie on it."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from viewer import layers

Places = NDArray[np.float64]


def scene(viewer: Any) -> Any:
    """Where napari keeps its camera: the scene since 0.9, the viewer before."""
    return getattr(viewer, "scene", viewer)


def grid(viewer: Any) -> Any:
    """Where napari keeps its grid: the canvas since 0.9, the viewer before."""
    return getattr(viewer, "canvas", viewer).grid


def canvas_widget(viewer: Any) -> Any:
    """Qt widget that films are drawn on. napari has no public way to it; this is the only place that asks."""
    return viewer.window._qt_viewer.canvas.native


class Canvas:
    """Places (..., 2) of the canvas are (row, column) in screen pixels; those of a film, in its own pixels.

    With the grid enabled the canvas has two cells, side by side; `column` is the number of a film's.
    """

    def __init__(self, viewer: Any) -> None:
        self.viewer = viewer

    @property
    def camera(self) -> Any:
        """Napari's camera: `zoom` is screen pixels to a unit of the room's plane."""
        return scene(self.viewer).camera

    @property
    def widget(self) -> Any:
        """Qt widget that films are drawn on."""
        return canvas_widget(self.viewer)

    @property
    def is_split(self) -> bool:
        """Whether the films have a cell each."""
        return bool(grid(self.viewer).enabled)

    def cell_size(self) -> tuple[float, float]:
        """Width and height of one film's share of the canvas, in screen pixels."""
        return self.widget.width() / (2 if self.is_split else 1), float(self.widget.height())

    def left(self, column: int) -> float:
        """Left edge of a film's share of the canvas, in screen pixels."""
        return self.cell_size()[0] * column if self.is_split else 0.0

    def places(self, affine: layers.Affine, column: int, points: Places) -> Places:
        """Places of the canvas on which a film's points lie."""
        width, height = self.cell_size()
        off = layers.apply(affine, points) - np.array(self.camera.center[-2:])
        middle = np.array([height / 2, width / 2 + self.left(column)])
        result: Places = middle + off * self.camera.zoom
        return result

    def points(self, affine: layers.Affine, column: int, places: Places) -> Places:
        """Points of a film that lie under places of the canvas."""
        origin = self.places(affine, column, np.zeros(2))
        room = (places - origin) / self.camera.zoom + affine[:2, 2]
        return layers.apply(layers.inverse(affine), room)

    def look_at(self, place: Places) -> None:
        """Bring a place (2,) of the room's plane into view, if it is near a cell's edge or off it."""
        width, height = self.cell_size()
        reach = 0.4 * np.array([height, width]) / self.camera.zoom
        if np.any(np.abs(place - np.array(self.camera.center[-2:])) > reach):
            self.camera.center = tuple(place)
