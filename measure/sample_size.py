"""How many films a study of agreement needs for an interval of a wanted width."""

from __future__ import annotations

import math

from measure.errors import HoldfastError
from measure.quantity import COVERAGE_95


def films_for_icc(icc: float, readers: int, width: float) -> int:
    """Films for a 95 % interval of the wanted whole width around an expected ICC.

    Bonett 2002 (10.1002/sim.1108), equation 3: 8 z² (1-ρ)² (1+(k-1)ρ)² / (k (k-1) w²) + 1; with two readers
    and ρ of 0.7 or more, 5 ρ films more. Raises HoldfastError for numbers that make no sense.
    """
    problems = []
    if not 0 <= icc < 1:
        problems.append(f"an expected ICC is from 0 to below 1; received {icc:g}")
    if readers < 2:
        problems.append(f"agreement needs two readers or more; received {readers}")
    if not 0 < width < 1:
        problems.append(f"the width of the interval is between 0 and 1; received {width:g}")
    if problems:
        raise HoldfastError(f"No sample size: {'; '.join(problems)}.")
    spread = (1 - icc) * (1 + (readers - 1) * icc)
    films = 8 * COVERAGE_95**2 * spread**2 / (readers * (readers - 1) * width**2) + 1
    if readers == 2 and icc >= 0.7:
        films += 5 * icc
    return math.ceil(films)


def films_for_limits(half_width: float) -> int:
    """Films for limits of agreement known to plus and minus so many standard deviations of the differences.

    The standard error of a limit is about sqrt(3/n) SD (Bland & Altman 1986, 10.1016/S0140-6736(86)90837-8).
    Raises HoldfastError for a width that is not above zero.
    """
    if not half_width > 0:
        raise HoldfastError(f"The half width is above 0; received {half_width:g}. Give for example 0.34.")
    return math.ceil(3 * (COVERAGE_95 / half_width) ** 2)
