"""A disc made by DCMTK's dcmmkdir, taken in."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np

from measure.intake import take_in


def test_a_disc_of_dcmmkdir(tmp_path: Path, write_film: Callable[..., Path]) -> None:
    """Every film of the disc is filed, and one removed since it was made is told by the name it had."""
    disc = tmp_path / "disc"
    for number in range(3):
        noise = np.random.default_rng(number).integers(30, 60, (640, 420), dtype=np.uint8).tobytes()
        write_film(
            disc / f"IM{number}", number, number, BodyPartExamined="ELBOW", PixelData=noise,
            PatientName="Invented^Person", StudyID="1", SeriesNumber=1, InstanceNumber=number + 1,
            StudyDate="20310303", StudyTime="101010", AccessionNumber="1",
        )  # fmt: skip
    made = subprocess.run(
        ["dcmmkdir", "+D", "DICOMDIR", "IM0", "IM1", "IM2"], cwd=disc, capture_output=True, text=True
    )
    assert (disc / "DICOMDIR").exists(), made.stderr
    whole = take_in([disc / "DICOMDIR"], tmp_path / "whole")
    assert (whole.filed, whole.problems, whole.waiting) == (3, (), ())
    (disc / "IM1").unlink()
    less = take_in([disc], tmp_path / "less")
    assert less.filed == 2
    assert [name for name, _ in less.problems] == ["IM1"]
