"""One film on napari's canvas: its picture, lines and marks as three layers. Only what is new is drawn."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from viewer import layers, placing
from viewer.lines import Line

LINE_PX = 1.6


class FilmLayers:
    """The three layers of one film, and the affine that lays it in the room's plane.

    Parameters
    ----------
    viewer
        napari's; the layers are added to it.
    name
        What the layers are called, as "Index".
    column
        Number of the film's cell where the films lie side by side.
    """

    def __init__(self, viewer: Any, name: str, column: int) -> None:
        self.column, self.number = column, -1
        self.affine: layers.Affine = np.eye(3)
        self.found: list[layers.Mark] = []
        self.offsets: list[placing.Offset | None] = []  # of the marks' labels
        self._drawn: dict[str, object] = {}
        self.image = viewer.add_image(
            np.zeros((2, 2), np.float32), name=f"{name} film", contrast_limits=(0, 1)
        )
        self.lines = viewer.add_vectors(
            np.empty((0, 2, 2)), name=f"{name} lines", vector_style="line", ndim=2
        )
        self.marks = viewer.add_points(
            np.empty((0, 2)),
            name=f"{name} landmarks",
            ndim=2,
            size=placing.MARK_PX,
            border_width_is_relative=False,
            face_color="transparent",
        )
        self.marks.canvas_size_limits = placing.LEAST_MARK_PX, placing.MARK_PX
        viewer.layers.selection.clear()  # else keys and clicks would edit the layer past the session

    def every(self) -> tuple[Any, Any, Any]:
        """Layers from the bottom up."""
        return self.image, self.lines, self.marks

    @property
    def points(self) -> NDArray[np.float64]:
        """Places (n, 2) of the marks on the film."""
        return np.array([mark.point for mark in self.found], dtype=np.float64).reshape(-1, 2)

    def is_new(self, what: str, state: object) -> bool:
        """Whether something is to be drawn otherwise than it was; it is then taken for drawn."""
        new = what not in self._drawn or self._drawn[what] != state
        self._drawn[what] = state
        return new

    def put(self, number: int, shades: Any, limits: tuple[float, float], colormap: str) -> None:
        """Show the picture of a film, if another was shown."""
        if self.number != number:
            self.image.data = shades
            self.number = number
            self.image.contrast_limits_range = (0.0, 1.0)
            self.image.contrast_limits = limits
            self.image.colormap = colormap

    def lay(self, affine: layers.Affine) -> None:
        """Lay the film in the room's plane."""
        if self.is_new("affine", affine.tolist()):
            self.affine = affine
            for layer in self.every():
                layer.affine = affine

    def draw_marks(self, found: list[layers.Mark]) -> bool:
        """Draw these marks and no others; whether their labels are other ones too."""
        attributes = layers.points_layer(found)
        _set_data(self.marks, attributes.pop("data"))
        for name, values in attributes.items():
            if self.is_new(name, values) and found:
                setattr(self.marks, name, values)
        same = [mark.label for mark in found] == [mark.label for mark in self.found]
        self.found = found
        return not same

    def draw_lines(self, coloured: list[tuple[str, Line]]) -> None:
        """Draw these lines and no others."""
        data, colours = layers.vectors_layer(coloured)
        _set_data(self.lines, data)
        if self.is_new("colours", colours) and colours:
            self.lines.edge_color = colours

    def choose_labels(self, zoom: float) -> None:
        """Choose how large marks are and where their labels stand at a zoom."""
        places = layers.apply(self.affine, self.points) * zoom
        self.offsets = layers.label_offsets(self.found, places)
        pixel = 1.0 / (zoom * self._enlarged)  # of the screen, in the film's own
        sizes = placing.mark_sizes(places)
        if self.is_new("size", (pixel, sizes.tolist())) and self.found:
            self.marks.border_width = placing.rim_widths(sizes) * pixel
            self.marks.size = sizes * pixel

    def draw_thin(self, zoom: float) -> None:
        """Keep the lines as thin on the screen at every zoom."""
        self.lines.edge_width = LINE_PX / max(zoom, 1e-6) / self._enlarged

    @property
    def _enlarged(self) -> float:
        """How much larger the affine makes things."""
        return float(abs(np.linalg.det(self.affine[:2, :2])) ** 0.5)


def _set_data(layer: Any, data: NDArray[np.float64]) -> None:
    """Set a layer's data; where only places changed, without napari's survey of all layers, which is slow."""
    if len(data) and layer.data.shape == data.shape:
        layer.data[...] = data
        layer.refresh(thumbnail=False, highlight=False, extent=False)
    else:
        layer.data = data
