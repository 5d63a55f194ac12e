"""How wide a shaft is where another bone lies over its far side: two tubes fitted to a profile across it.

What a ray meets of a round tube is the chord of its outside less the chord of its hollow (analytic). The
near side of the first tube is known; its far side, lost among the edges of the second, is told by the whole
profile.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from measure.lines import Array

AWAY_MM = np.arange(-3.0, 26.01, 0.15)  # of a profile's samples from the first tube's near side
WIDTHS_MM = np.arange(11.5, 19.1, 0.5)
WALLS_MM = np.array([2.0, 2.7, 3.4])
OTHER_RADII_MM = np.array([5.5, 6.5, 7.5, 8.5])
OTHER_AWAY_MM = np.arange(-3.0, 17.1, 1.0)  # of the second tube's middle from the first's
OTHER_WALL = 0.85  # of the second tube's wall, in walls of the first
ANOTHER_MM = 1.0  # a width that differs by more is another answer


def width_across(profile: Array) -> tuple[float, float]:
    """Fit a profile at `AWAY_MM`; the width in mm, and how many times more the next best other width leaves.

    Raises ValueError for a profile of another length.
    """
    if profile.shape != AWAY_MM.shape:
        raise ValueError(f"The profile has the shape {profile.shape}; sample it at the places of AWAY_MM.")
    widths, base, solver = _models()
    factors = np.einsum("mkx,x->mk", solver, profile)
    left = ((profile - np.einsum("mk,mkx->mx", factors, base)) ** 2).sum(axis=1)
    outside, hollow, other, other_hollow = factors[:, :4].T
    is_tube = (outside > hollow) & (hollow > 0) & (other >= 0) & (other_hollow > -0.1 * other)
    left = np.where(is_tube, left, np.inf)
    best = int(np.argmin(left))
    rest = left[np.abs(widths - widths[best]) > ANOTHER_MM].min()
    return float(widths[best]), float(rest / left[best]) if np.isfinite(left[best]) else 0.0


@lru_cache(maxsize=1)
def _models() -> tuple[Array, Array, Array]:
    """Width of each model (m,), its parts (m, 7, samples), and what solves for their factors, alike."""
    width, wall, radius, away = (
        part.ravel()[:, None]
        for part in np.meshgrid(WIDTHS_MM, WALLS_MM, OTHER_RADII_MM, OTHER_AWAY_MM, indexing="ij")
    )
    half = width / 2.0
    ground = [np.broadcast_to((AWAY_MM / 10.0) ** power, (len(width), len(AWAY_MM))) for power in range(3)]
    base = np.stack(
        [
            _chord(half, half),
            -_chord(half, half - wall),
            _chord(half + away, radius),
            -_chord(half + away, radius - OTHER_WALL * wall),
            *ground,
        ],
        axis=1,
    )
    normal = base @ base.transpose(0, 2, 1) + 1e-4 * np.eye(base.shape[1])
    return width[:, 0], base, np.asarray(np.linalg.solve(normal, base), dtype=float)


def _chord(middle: Array, radius: Array) -> Array:
    """Half the path of rays at `AWAY_MM` through a round rod."""
    return np.asarray(np.sqrt(np.maximum(radius**2 - (AWAY_MM - middle) ** 2, 0.0)))
