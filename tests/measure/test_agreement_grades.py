"""Agreement on grades: laid out rightly by film and reader, and the same kappa as scikit-learn's."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from sklearn.metrics import cohen_kappa_score

from measure.agreement_grades import Pair, grade_pairs, grade_rows
from measure.agreement_page import analyse, document
from measure.agreement_study import Study, StudyReading
from measure.film import Film
from measure.observations import observation_table
from measure.reading import Observation, Reading
from measure.series import measure

BRIDGING = list(observation_table().kinds["bridging"].grade)
HIDDEN = Observation(reason="metal hides it")
Cell = tuple[str, str, int]


@pytest.fixture
def study(make_film: Callable[..., Film], make_reading: Callable[..., Reading]) -> Callable[..., Study]:
    """Make a study: study({(film, reader, repeat): observations}, readers)."""

    def make(cells: dict[Cell, dict[str, Observation]], readers: tuple[str, ...] = ("a", "b")) -> Study:
        film = make_film()
        plain = measure(film, make_reading(film))
        readings = tuple(
            StudyReading(*cell, replace(plain, reading=replace(plain.reading, observations=seen)))
            for cell, seen in cells.items()
        )
        films = tuple(dict.fromkeys(cell[0] for cell in cells))
        repeats = 1 + max(cell[2] for cell in cells)
        return Study("invented", "olecranon", "lateral", films, readers, repeats, readings)

    return make


def drawn(seed: int, films: int = 40) -> tuple[list[int], list[int]]:
    """Grades of two readers, the second like the first but for some."""
    rng = np.random.default_rng(seed)
    first = rng.integers(0, 3, films)
    second = np.clip(first + rng.choice([-1, 0, 1], films, p=[0.15, 0.7, 0.15]), 0, 2)
    return first.tolist(), second.tolist()


def cells_of(grades: dict[tuple[str, int], list[int]]) -> dict[Cell, dict[str, Observation]]:
    return {
        (f"film {number}", reader, repeat): {"bridging_dorsal": Observation(BRIDGING[grade])}
        for (reader, repeat), column in grades.items()
        for number, grade in enumerate(column)
    }


def pair(study: Study, name: str = "bridging_dorsal", of: str = "a and b") -> Pair:
    return next(each for each in grade_pairs(study) if (each.row.name, each.of) == (name, of))


def test_kappa_is_scikit_learn_s(study: Callable[..., Study]) -> None:
    """Source: sklearn.metrics.cohen_kappa_score with squared weights; and not with plain ones."""
    first, second = drawn(1)
    found = pair(study(cells_of({("a", 0): first, ("b", 0): second})))
    assert found.grades.kappa.value == pytest.approx(cohen_kappa_score(first, second, weights="quadratic"))
    assert found.grades.kappa.value != pytest.approx(cohen_kappa_score(first, second), abs=0.02)
    assert found.grades.same == pytest.approx(np.mean(np.equal(first, second)))


def test_grades_without_an_order_count_every_difference_alike(study: Callable[..., Study]) -> None:
    first, second = drawn(2)
    names = list(observation_table().kinds["joint"].grade)
    cells = {
        (f"film {number}", reader, 0): {"joint": Observation(names[grade])}
        for reader, column in (("a", first), ("b", second))
        for number, grade in enumerate(column)
    }
    found = pair(study(cells), "joint").grades
    assert found.weights == "none"
    assert found.kappa.value == pytest.approx(cohen_kappa_score(first, second))


def test_a_reader_against_herself(study: Callable[..., Study]) -> None:
    first, second = drawn(3)
    made = study(cells_of({("a", 0): first, ("a", 1): second}), ("a",))
    found = pair(made, of="a, reading 1 and a, reading 2").grades
    assert found.kappa.value == pytest.approx(cohen_kappa_score(first, second, weights="quadratic"))


def test_not_assessable_is_left_out_of_kappa_and_told(study: Callable[..., Study]) -> None:
    """Of ten films b cannot grade three; kappa rests on seven, and 70 % are judged alike."""
    cells = cells_of({("a", 0): [0, 1, 2, 0, 1, 2, 0, 1, 2, 0], ("b", 0): [0, 1, 2, 0, 1, 1, 0, 1, 2, 0]})
    for number in range(7, 10):
        cells[f"film {number}", "b", 0] = {"bridging_dorsal": HIDDEN}
    found = pair(study(cells))
    assert found.grades.films == 7
    assert found.grades.same == pytest.approx(6 / 7)
    assert (found.assessable.films, found.assessable.same) == (10, pytest.approx(0.7))
    (row,) = grade_rows([found])
    assert (row["films"], row["films_judged"], row["weights"]) == (7, 10, "quadratic")


def test_all_not_assessable_has_no_kappa(study: Callable[..., Study]) -> None:
    cells = {(f"film {n}", reader, 0): {"wire": HIDDEN} for n in range(3) for reader in "ab"}
    found = pair(study(cells), "wire")
    assert found.grades is None
    assert found.assessable.same == 1.0


def test_what_nobody_graded_is_not_listed(study: Callable[..., Study]) -> None:
    """A study of older readings has no grades, and its report no such section."""
    made = study({("film 0", "a", 0): {}, ("film 0", "b", 0): {}})
    assert grade_pairs(made) == ()
    assert "Grades by eye" not in [section.title for section in document(analyse(made)).sections]


def test_the_report_says_them(study: Callable[..., Study]) -> None:
    first, second = drawn(4)
    page = document(analyse(study(cells_of({("a", 0): first, ("b", 0): second}))))
    (section,) = [section for section in page.sections if section.title == "Grades by eye"]
    (row,) = section.tables[0].rows
    assert row[:3] == ("Dorsal cortex", "a and b", "40")
    assert row[4].endswith(" %")
