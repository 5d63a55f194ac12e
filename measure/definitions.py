"""The functions that a site table may name, one row each.

Adding one: a function in `measure.geometry`, a row here, a test. What a function takes and its sign
are in its own docstring; which landmarks it takes at which site stands in the site table.
"""

from __future__ import annotations

from dataclasses import dataclass

from measure import geometry
from measure.propagate import Function

LENGTH, ANGLE, RATIO = "mm", "deg", "1"


@dataclass(frozen=True)
class FunctionRow:
    """A geometry function by the name that site tables use, and the unit of its result."""

    function: Function
    unit: str

    @property
    def name(self) -> str:
        """The name in site tables."""
        return self.function.__name__


FUNCTIONS = {
    row.name: row
    for row in (
        FunctionRow(geometry.distance, LENGTH),
        FunctionRow(geometry.along_axis, LENGTH),
        FunctionRow(geometry.across_axis, LENGTH),
        FunctionRow(geometry.along_axis_to_line, LENGTH),
        FunctionRow(geometry.share_across, RATIO),
        FunctionRow(geometry.along_pin, LENGTH),
        FunctionRow(geometry.angle_to_axis, ANGLE),
        FunctionRow(geometry.angle_between, ANGLE),
        FunctionRow(geometry.spacing, LENGTH),
        FunctionRow(geometry.arc_gap, LENGTH),
        FunctionRow(geometry.arc_step, LENGTH),
        FunctionRow(geometry.line_gap, LENGTH),
        FunctionRow(geometry.line_step, LENGTH),
        FunctionRow(geometry.mean_gap, LENGTH),
        FunctionRow(geometry.length_of_break, LENGTH),
        FunctionRow(geometry.height_above_circle, LENGTH),
        FunctionRow(geometry.height_above_centre, LENGTH),
    )
}
