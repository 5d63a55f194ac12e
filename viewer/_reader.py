"""napari reader of single films. It peeks before it says yes, and never raises while doing so."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from measure.film import peek

LayerData = tuple[Any, dict[str, Any], str]


def get_reader(path: str | list[str]) -> Callable[[str | list[str]], list[LayerData]] | None:
    """Return `read` where every path starts as a film would, else None."""
    paths = path if isinstance(path, list) else [path]
    return read if paths and all(peek(name) for name in paths) else None


def read(path: str | list[str]) -> list[LayerData]:
    """Read films as image layers in their own pixels. Raises FilmError, which napari shows."""
    from measure.film import read_film
    from viewer.layers import film_layer

    paths = path if isinstance(path, list) else [path]
    return [film_layer(read_film(name)) for name in paths]
