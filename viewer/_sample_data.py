"""The sample series as napari sample data: the lateral films of the first patient whose films are there."""

from __future__ import annotations

from measure.film import read_film
from measure.samples import samples_folder
from viewer._reader import LayerData
from viewer.layers import film_layer


def sample_films() -> list[LayerData]:
    """Return one image layer for each film, the earliest uppermost. Raises FilmError without the samples."""
    paths = sorted(samples_folder().rglob("*lateral.dcm"))
    patient = paths[0].parent
    return [film_layer(read_film(path)) for path in reversed(paths) if path.parent == patient]
