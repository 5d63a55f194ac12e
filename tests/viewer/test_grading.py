"""The sheet of what the eye sees, without a window: one key a grade, undo, keeping and refusals."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from viewer_films import make_film

from measure.errors import ReadingError
from measure.reading import Landmark, Observation, load_reading
from viewer.grading import BACK, CLEAR, DOWN, UP, WHY, Sheet
from viewer.session import Session


@pytest.fixture
def sheet(session: Session) -> Sheet:
    return Sheet(session)


def answers(sheet: Sheet) -> dict[str, str]:
    return {line.name: line.answer for line in sheet.lines() if line.answer}


def test_one_key_a_grade_and_the_next_is_in_hand(sheet: Sheet) -> None:
    """As many keys as observations, and all is graded."""
    assert sheet.row.name == "bridging_dorsal"
    assert sheet.choices()[1] == "callus, line still seen"
    for _ in sheet.rows:
        sheet.press("1")
    assert len(answers(sheet)) == len(sheet.rows)
    assert sheet.progress().endswith("Finish: Ctrl+Enter.")
    assert sheet.session.draft.observations["wire"] == Observation("intact")


def test_not_assessable_asks_why(sheet: Sheet) -> None:
    sheet.press(WHY)
    assert sheet.question() == "Dorsal cortex: not assessable, because"
    sheet.press("1")
    assert answers(sheet) == {"bridging_dorsal": "not assessable: metal hides it"}
    assert (sheet.row.name, sheet.asking) == ("bridging_articular", False)
    sheet.press(WHY)
    sheet.press(BACK)
    sheet.press("3")
    assert answers(sheet)["bridging_articular"] == "bridged, line gone"


def test_moving_clearing_and_a_digit_without_a_grade(sheet: Sheet) -> None:
    """Up from the first is the last; a digit that no grade has does nothing."""
    sheet.press(UP)
    assert sheet.row.name == "film_crop"
    sheet.press("9")
    assert not answers(sheet)
    sheet.press(DOWN)
    sheet.press("2")
    sheet.press(UP)
    sheet.press(CLEAR)
    assert not answers(sheet)


def test_each_grade_is_a_step_that_undo_takes_back(sheet: Sheet) -> None:
    session = sheet.session
    sheet.press("2")
    session.undo()
    assert not session.draft.observations
    session.redo()
    assert session.draft.observations == {"bridging_dorsal": Observation("callus")}


def test_drafts_keep_grades_and_an_older_draft_has_none(session: Session, tmp_path: Path) -> None:
    session.observe("wire", Observation("slack"))
    session.remark("  to be seen again ")
    films, folder = session.films, session.folder
    again = Session(films, folder=folder)
    assert again.draft.observations == {"wire": Observation("slack")}
    assert again.draft.remark == "to be seen again"
    path = session.store.path(session.film)
    content = json.loads(path.read_text())
    del content["observations"], content["remark"]
    path.write_text(json.dumps(content))
    older = Session(films, folder=folder)
    assert not older.troubles
    assert not older.draft.observations


def test_finished_reading_holds_them_and_corrections_start_from_them(session: Session) -> None:
    """Grades alone are enough to save."""
    session.observe("bridging_dorsal", Observation("callus"))
    saved = load_reading(session.finish())
    assert saved.observations == {"bridging_dorsal": Observation("callus")}
    session.observe("bridging_dorsal", Observation("bridged"))
    assert not session.is_finished(0)
    again = load_reading(session.finish())
    assert again.supersedes == saved.uid
    assert again.observations["bridging_dorsal"].grade == "bridged"


def test_what_contradicts_is_marked_and_not_saved(sheet: Sheet) -> None:
    session = sheet.session
    session.observe("wire", Observation("broken"))
    session.select("wire_break")
    session.absent()
    (clash,) = [line for line in sheet.lines() if line.clash]
    assert (clash.name, clash.text[0]) == ("wire", "▲")
    with pytest.raises(ReadingError, match=r"do not go together: the wire is graded broken.*Mend one"):
        session.finish()
    session.observe("wire", Observation("intact"))
    assert session.finish().exists()


def test_another_view_s_cortex_is_refused(session: Session) -> None:
    with pytest.raises(ReadingError, match="the lateral view does not show it"):
        session.observe("bridging_ulnar", Observation("callus"))
    with pytest.raises(ReadingError, match="'torn' is not one of"):
        session.observe("wire", Observation("torn"))
    assert not session.draft.observations


def test_healing_joins_the_views_of_one_day(tmp_path: Path) -> None:
    """The lateral and the AP film of a visit make one score; another day's film does not."""
    day = make_film(1).date
    films = [make_film(1, tmp_path), make_film(2, tmp_path, view="ap", date=day), make_film(3, tmp_path)]
    session = Session(films, reader="reader-a")
    sheet = Sheet(session)
    assert sheet.healing() == "Not graded on these films."
    for number, view in enumerate(session.films):
        session.open_case(number)
        for name in ("dorsal", "articular") if view.view == "lateral" else ("ulnar", "radial"):
            session.observe(f"bridging_{name}", Observation("bridged" if view.date == day else "none"))
    session.open_case(0)
    session.show(0)
    assert "Cortical bridging score 12" in sheet.healing()
    session.show(next(n for n, film in enumerate(session.films) if film.date != day))
    assert "2 of 4 cortices assessed: 2 without callus." in sheet.healing()
    assert "Since" not in sheet.healing()  # not before all is graded
    for _ in sheet.rows:
        sheet.press("1")
    assert "Since the index visit: less far at 2." in sheet.healing()


def test_another_film_starts_at_its_first_open_row(sheet: Sheet) -> None:
    sheet.press("1")
    sheet.press("1")
    assert sheet.row.name == "fracture_line"
    sheet.session.show(1)
    assert sheet.row.name == "bridging_dorsal"


def test_a_moved_landmark_leaves_the_grades(session: Session) -> None:
    session.observe("pin1", Observation("bent"))
    session.propose(0, {"hole": Landmark("confirmed", ((5.0, 5.0),))})
    assert session.draft.observations == {"pin1": Observation("bent")}
