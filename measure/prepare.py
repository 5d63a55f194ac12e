"""A film as an image of attenuation: dense is bright, whatever its polarity, with what cannot be used masked.

Only order matters here: the display curve stays as it is, so that a pin's profile is not bent twice.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from measure.film import Film
from measure.scale import USUAL_MAGNIFICATION, scales_for

Image = NDArray[np.float32]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Prepared:
    """An image to look for metal in.

    Parameters
    ----------
    density
        (rows, columns), 0 to 1, dense is bright.
    clipped
        (rows, columns): pixels at the top of the film's range, where metal is cut flat.
    mm_per_px
        About how large a pixel is at the bone, mm; a guess where `scaled` is false.
    scaled
        Whether the file told the size.
    """

    density: Image
    clipped: Mask
    mm_per_px: float
    scaled: bool

    @cached_property
    def small(self) -> Image:
        """The density at `SMALL_MM`, by area, made once for all that is looked for coarsely."""
        return shrink(self.density, SMALL_MM / self.mm_per_px)

    def inverted(self) -> Prepared:
        """Return the same film with its polarity the other way round."""
        density = 1.0 - self.density
        return Prepared(density, density >= 1.0, self.mm_per_px, self.scaled)


SMALL_MM = 0.27  # size of a pixel where pins are searched and tissue is weighed
POLARITY_MM = 0.54  # size of a pixel at which the polarity is told
THIN_PX, BORDER_PX = 9, 12  # kernel of what is thin; border left out, for collimators' edges
FIELD_GUESS = 180.0  # mm across the longer side where the file tells nothing; common practice, no source


def prepare(film: Film) -> Prepared:
    """Prepare a film with metal bright, whatever its file says of its polarity."""
    density = film.values()
    low, high = density.min(), density.max()
    density -= low
    density /= (high - low) or 1.0
    if film.photometric == "MONOCHROME1":
        np.subtract(1.0, density, out=density)
    scales = scales_for(film, "prepare")
    size = scales[0].mm_per_px if scales else None
    spacing = film.spacing.nominal or film.spacing.pixel
    if size is None and spacing:
        size = (spacing[0] / USUAL_MAGNIFICATION, spacing[1] / USUAL_MAGNIFICATION)
    guess = FIELD_GUESS / max(film.pixels.shape)
    mm_per_px = float(np.sqrt(size[0] * size[1])) if size else guess
    return upright(Prepared(density, density >= 1.0, mm_per_px, size is not None))


def upright(film: Prepared) -> Prepared:
    """Return the film with what is thin and stands out most, its metal, bright rather than dark."""
    small = shrink(film.small, POLARITY_MM / max(SMALL_MM, film.mm_per_px))
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (THIN_PX, THIN_PX))
    inner = np.s_[BORDER_PX:-BORDER_PX, BORDER_PX:-BORDER_PX]
    if not small[inner].size:
        return film
    bright, dark = (
        float(np.quantile(cv2.morphologyEx(small, how, kernel)[inner], 0.99))
        for how in (cv2.MORPH_TOPHAT, cv2.MORPH_BLACKHAT)
    )
    return film if bright >= dark else film.inverted()


def shrink(image: Image, factor: float) -> Image:
    """Return an image made smaller by a factor (at least 1), by area."""
    if factor <= 1.0:
        return image
    rows, columns = (max(8, round(length / factor)) for length in image.shape)
    return np.asarray(cv2.resize(image, (columns, rows), interpolation=cv2.INTER_AREA))
