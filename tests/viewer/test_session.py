"""The session's logic, without a window: guiding, answering, undo, keeping, guards and live numbers."""

from __future__ import annotations

import dataclasses
import json
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from viewer_films import Truth, lateral_truth, make_film

from measure import phantom
from measure.errors import ComparisonError, FilmError, HoldfastError, ReadingError
from measure.film import Film
from measure.flags import BEYOND
from measure.measurements import measure_film
from measure.reading import CONFIRMED, PROPOSED, Landmark, load_reading, standing
from measure.review import MOST_FRAMES
from measure.series import INDEX, group, measure
from measure.sites import Profile
from viewer.drafts import to_reading
from viewer.folder import load_folder
from viewer.rows import result_rows, trend, verdict
from viewer.session import Session

PlaceAll = Callable[[Session, Truth], int]


def fresh(session: Session, number: int) -> object:
    """Measurements of a film computed anew from its draft alone."""
    film = session.films[number]
    return measure(film, to_reading(session.draft_of(number), film, session.site)).measurements


def test_guides_through_protocol_order(session: Session) -> None:
    """What is asked for comes in the table's order; what is optional is left out, the wire is asked for."""
    optional = {"margin_distal", "margin_proximal", "capitellum_arc", "trochlea_arc"}
    asked = session.checklist.asked
    order = [row.name for row in session.view.landmarks]
    assert list(asked) == [name for name in order if name not in optional]
    assert session.active == "shaft_dorsal"


def test_click_places_and_advances(session: Session) -> None:
    """The landmark in hand stays until it has its points."""
    session.place((10.0, 20.0))
    assert session.active == "shaft_dorsal"
    session.place((10.0, 80.0))
    assert session.active == "shaft_volar"
    assert session.draft.landmarks["shaft_dorsal"].points == ((10.0, 20.0), (10.0, 80.0))


def test_far_cortex_needs_as_many_points_as_near(session: Session) -> None:
    """A third level on the near cortex asks for a third on the far one, and the axis waits for it."""
    for column in (100.0, 200.0):
        session.place((400.0, column))
    session.select("shaft_dorsal")
    session.place((400.0, 300.0))
    session.select("shaft_volar")
    for column in (100.0, 200.0):
        session.place((500.0, column))
    assert session.active == "shaft_volar"
    assert "shaft_dorsal" not in to_reading(session.draft, session.film, session.site).landmarks
    session.place((500.0, 300.0))
    assert len(to_reading(session.draft, session.film, session.site).landmarks) == 2


def test_index_film_numbers_equal_the_library(session: Session, truth: Truth, place_all: PlaceAll) -> None:
    """The same points through the session and through `measure` give the same measurements."""
    place_all(session, truth)
    reading = to_reading(session.draft, session.film, session.site)
    expected = measure_film(reading, session.measured(0).scale, session.film.aspect)
    assert session.measured(0).measurements == expected == fresh(session, 0)
    assert sum(m.quantity is not None for m in expected) == len(expected)


def test_live_numbers_follow_a_drag(session: Session, truth: Truth, place_all: PlaceAll) -> None:
    """While a point moves, only what it touches is measured, and equals a computation from nothing."""
    place_all(session, truth)
    session.measured(0)
    for name in ("pin1_tip", "shaft_volar", "joint_arc"):
        row, column = session.draft.landmarks[name].points[0]
        before = session.measured(0).measurements
        session.drag(name, 0, (row + 7.3, column - 4.1))
        after = session.measured(0).measurements
        assert after == fresh(session, 0)
        assert after != before
    session.drop()


def test_a_glance_is_first_order_and_not_kept(
    session: Session, truth: Truth, place_all: PlaceAll, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While a point moves: the values of a fresh computation, nothing by Monte Carlo, nothing compared."""
    place_all(session, truth)
    session.show(1)
    place_all(session, truth)
    session.result()
    monkeypatch.setattr("viewer.measuring.compare", lambda *_: pytest.fail("compared while a point moves"))
    for name in ("articular_edge_proximal", "shaft_volar"):
        row, column = session.draft.landmarks[name].points[0]
        session.drag(name, 0, (row + 3.0, column - 2.0))
        glance = {m.key: m for m in session.glance(1).measurements}
        assert not session.is_measured()
        expected = fresh(session, 1)
        assert [glance[m.key].quantity.value for m in expected] == [m.quantity.value for m in expected]
        moved = [m for m in expected if name in m.row.landmarks]
        assert {glance[m.key].method for m in moved} == {"first order"}
    assert any(m.method == "Monte Carlo" for m in expected)
    session.drop()
    assert session.measured(1).measurements == fresh(session, 1)


def test_drag_is_one_step(session: Session) -> None:
    """However many moves a drag has, one undo takes it back."""
    session.place((10.0, 20.0))
    for column in range(21, 60):
        session.drag("shaft_dorsal", 0, (10.0, float(column)))
    session.drop()
    assert session.draft.landmarks["shaft_dorsal"].points == ((10.0, 59.0),)
    session.undo()
    assert session.draft.landmarks["shaft_dorsal"].points == ((10.0, 20.0),)
    session.undo()
    assert not session.draft.landmarks


def test_undo_and_redo_without_limit(session: Session, truth: Truth, place_all: PlaceAll) -> None:
    """Every step can be taken back to the empty film and again to the full one."""
    steps = place_all(session, truth)
    full = session.draft
    for _ in range(steps):
        assert session.can_undo
        session.undo()
    assert not session.draft.landmarks
    assert not session.can_undo
    for _ in range(steps):
        session.redo()
    assert session.draft == full
    assert not session.can_redo


def test_a_new_step_ends_redo(session: Session) -> None:
    """After an undo, a new action takes the place of what was undone."""
    session.place((10.0, 20.0))
    session.undo()
    session.place((30.0, 40.0))
    session.redo()
    assert session.draft.landmarks["shaft_dorsal"].points == ((30.0, 40.0),)


def test_undo_goes_back_to_the_film_it_belongs_to(session: Session) -> None:
    """Nothing is changed on a film that is not on the screen."""
    session.place((10.0, 20.0))
    session.show(1)
    session.undo()
    assert session.current == 0
    assert not session.draft.landmarks


def test_clearing_one_leaves_the_others(session: Session, truth: Truth, place_all: PlaceAll) -> None:
    """Taking a landmark away never renames or moves another."""
    place_all(session, truth)
    before = dict(session.draft.landmarks)
    session.clear("pin1_end")
    session.clear("joint_arc", 1)
    left = dict(session.draft.landmarks)
    assert "pin1_end" not in left
    assert left["joint_arc"].points == (before["joint_arc"].points[0], before["joint_arc"].points[2])
    assert {k: v for k, v in left.items() if k != "joint_arc"} == {
        k: v for k, v in before.items() if k not in ("pin1_end", "joint_arc")
    }


def test_not_assessable_needs_a_reason(session: Session) -> None:
    """A skip without a reason is refused; with one it is an answer."""
    with pytest.raises(ReadingError, match="needs a reason"):
        session.skip("  ")
    session.skip("metal hides it")
    assert session.draft.landmarks["shaft_dorsal"] == Landmark("not assessable", reason="metal hides it")
    assert session.active == "shaft_volar"


def test_only_what_can_be_missing_is_absent(session: Session) -> None:
    """A cortex is never absent; a break in the wire may be."""
    with pytest.raises(ReadingError, match="cannot be absent"):
        session.absent()
    session.absent("wire_break")
    assert session.draft.landmarks["wire_break"].status == "absent"


def test_click_off_the_film_is_refused(session: Session) -> None:
    """Nothing is placed beyond the edge."""
    with pytest.raises(ReadingError, match="not on the film"):
        session.place((-3.0, 10.0))
    assert not session.draft.landmarks


def test_nudge_stays_on_the_film(session: Session) -> None:
    """An arrow key at the edge stops there."""
    session.place((0.0, 0.05))
    session.nudge("shaft_dorsal", 0, -1.0, -0.1)
    assert session.draft.landmarks["shaft_dorsal"].points == ((0.0, 0.0),)


def test_proposals_wait_for_the_reader(session: Session, truth: Truth, place_all: PlaceAll) -> None:
    """Proposals replace nothing, stay proposals when moved, and Enter confirms them one by one."""
    place_all(session, truth)
    session.show(1)
    session.place((400.0, 400.0))
    laid = session.propose(1, session.draft_of(0).landmarks)
    assert session.draft.landmarks["shaft_dorsal"].points == ((400.0, 400.0),)
    asked = session.checklist.asked
    assert laid == len(asked) - 2  # all but the one begun, and the wire's break, which has no place
    name = "pin1_tip"
    session.move(name, 0, (450.0, 450.0))
    assert session.draft.landmarks[name].status == "proposed"
    assert not next(m for m in session.measured(1).measurements if m.key == ("pin_angle", "pin1")).confirmed
    session.confirm(name)
    assert session.draft.landmarks[name].status == "confirmed"
    assert session.draft.landmarks["pin2_tip"].status == "proposed"


def test_click_confirms_a_proposal_of_one_point(session: Session) -> None:
    """Clicking where it is right is an answer; a proposal of several points waits for Enter."""
    arc = Landmark("proposed", ((5.0, 5.0), (6.0, 9.0), (5.0, 13.0)))
    session.propose(0, {"hole": Landmark("proposed", ((5.0, 5.0),)), "joint_arc": arc})
    session.select("hole")
    session.place((7.0, 7.0))
    assert session.draft.landmarks["hole"] == Landmark("confirmed", ((7.0, 7.0),))
    session.select("joint_arc")
    session.place((7.0, 10.0))
    assert session.draft.landmarks["joint_arc"].points == ((5.0, 5.0), (7.0, 10.0), (5.0, 13.0))
    assert session.draft.landmarks["joint_arc"].status == "proposed"


def test_landmarks_are_carried_from_the_last_visit_read_else_the_first(session: Session) -> None:
    """Proposals come from the visit before, or else the first, and only for a film that has nothing yet."""
    assert session.carry_sources(1) == ()
    session.place((10.0, 20.0))
    assert session.carry_sources(2) == (0,)
    session.show(1)
    session.place((10.0, 20.0))
    assert session.carry_sources(2) == (1, 0)
    session.show(2)
    session.place((10.0, 20.0))
    assert session.carry_sources(2) == ()


# --- Measured uncertainties ---


def test_a_profile_is_used_and_stays_in_use(
    films: list[Film], truth: Truth, place_all: PlaceAll, tmp_path: Path
) -> None:
    """Values rest on it, also after a landmark moved or is held; another view keeps the defaults."""
    rough = Profile("clinic", 3.0, 0.1, "our own study")
    plain = Session(films, reader="AB", folder=tmp_path / "plain")
    mine = Session(films, reader="AB", folder=tmp_path / "mine", profiles={("olecranon", "lateral"): rough})
    for session in (plain, mine):
        place_all(session, truth)
        session.measured(0)
        row, column = truth["pin1_tip"][0]
        session.move("pin1_tip", 0, (row + 1.0, column))
    found = mine.measured(0)
    assert found.uncertainty is rough
    held = (mine.glance(0), found)
    for film in held:
        for name, target in (("hole_distance", ""), ("pin_tip_from_hole", "pin1")):
            ours, usual = film.find(name, target), plain.measured(0).find(name, target)
            assert ours is not None
            assert usual is not None
            assert ours.quantity is not None
            assert usual.quantity is not None
            assert ours.quantity.u > 4 * usual.quantity.u
    other = Session(films, reader="AB", profiles={("olecranon", "ap"): rough})
    assert other.measured(0).uncertainty.name == plain.measured(0).uncertainty.name


# --- Keeping ---


def reopened(session: Session) -> Session:
    """Session as after a crash: from what is on the disk alone."""
    return Session(session.films, reader="AB", folder=session.folder)


def test_every_step_is_on_the_disk(session: Session, truth: Truth) -> None:
    """After each action another session finds it; nothing waits for a close."""
    for row, column in (*truth["shaft_dorsal"], *truth["shaft_volar"]):
        session.place((row, column))
        assert reopened(session).draft == session.draft
    session.skip("off the film")
    session.undo()
    assert reopened(session).draft == session.draft


def test_a_killed_write_leaves_the_step_before(session: Session, monkeypatch: pytest.MonkeyPatch) -> None:
    """A draft is replaced whole: power lost while writing leaves the last whole one, and says so."""
    session.place((10.0, 20.0))

    def fails(source: object, target: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.replace", fails)
    session.place((30.0, 40.0))
    assert len(session.draft.landmarks["shaft_dorsal"].points) == 2
    assert any("could not be kept" in trouble for trouble in session.troubles)
    assert reopened(session).draft.landmarks["shaft_dorsal"].points == ((10.0, 20.0),)


def test_damaged_draft_is_set_aside(session: Session) -> None:
    """A draft that cannot be read is neither used nor overwritten."""
    session.place((10.0, 20.0))
    assert session.store
    path = session.store.path(session.film)
    path.write_text(path.read_text()[:-40])
    again = reopened(session)
    assert not again.draft.landmarks
    assert "cannot be used" in again.troubles[0]
    assert path.with_name(f"{path.name}.damaged-1").exists()


def test_a_draft_of_another_film_is_refused(session: Session, films: list[Film]) -> None:
    """A draft file that names another film is not laid on this one."""
    session.place((10.0, 20.0))
    assert session.store
    path = session.store.path(session.film)
    content = json.loads(path.read_text()) | {"film_digest": films[1].digest}
    path.write_text(json.dumps(content))
    assert not reopened(session).draft.landmarks


def test_finished_reading_is_never_overwritten(session: Session, truth: Truth, place_all: PlaceAll) -> None:
    """A correction is a second file that supersedes the first, which stays as it was."""
    place_all(session, truth)
    first = session.finish()
    content = first.read_bytes()
    assert session.is_finished(0)
    assert session.store
    assert not session.store.path(session.film).exists()
    with pytest.raises(ReadingError, match="saved already"):
        session.finish()
    session.move("pin1_tip", 0, (455.0, 455.0))
    assert not session.is_finished(0)
    second = session.finish()
    assert second != first
    assert first.read_bytes() == content
    assert load_reading(second).supersedes == load_reading(first).uid
    assert standing([load_reading(first), load_reading(second)])[-1] == load_reading(second)


def test_reopening_a_finished_case_restores_it(session: Session, truth: Truth, place_all: PlaceAll) -> None:
    """A finished film comes back finished; an undo past the save is a correction again."""
    place_all(session, truth)
    reading = load_reading(session.finish())
    again = Session(session.films, folder=session.folder, saved={session.film.digest: reading})
    assert again.is_finished(0)
    assert again.reader == "AB"
    assert again.measured(0).measurements == session.measured(0).measurements
    session.undo()
    assert not session.is_finished(0)


def test_proposals_are_saved_as_proposals(session: Session) -> None:
    """Finishing does not confirm anything."""
    session.propose(0, {"hole": Landmark("confirmed", ((5.0, 5.0),), origin="carried")})
    saved = load_reading(session.finish())
    assert saved.landmarks["hole"].status == "proposed"


def test_nothing_to_save_is_said(session: Session) -> None:
    """An empty reading is no reading."""
    with pytest.raises(ReadingError, match="nothing to save"):
        session.finish()


# --- Guards ---


@pytest.mark.parametrize(
    ("other", "reason"),
    [
        ({"patient_key": "INV-2"}, "two patients"),
        ({"laterality": "left"}, "two sides"),
        ({"view": "ap"}, "two views"),
        ({"view": "oblique"}, "read in: lateral, ap"),
        ({"patient_key": None}, "whose it is"),
        ({"laterality": None}, "which side"),
    ],
)
def test_films_that_must_not_stand_together(films: list[Film], other: dict[str, object], reason: str) -> None:
    """A film of another patient, side or view is refused with the reason, and nothing moves."""
    session = Session([*films, make_film(9, **other)])
    with pytest.raises(ComparisonError, match=reason):
        session.show(3)
    assert session.current == 0
    assert 3 not in session.visits


def test_another_case_opens_on_its_own(films: list[Film]) -> None:
    """The other patient's film can be read, alone."""
    session = Session([*films, make_film(9, patient_key="INV-2")])
    session.open_case(3)
    assert (session.index, session.current, session.visits) == (3, 3, (3,))


def test_side_that_the_film_states_cannot_be_changed(session: Session) -> None:
    """What the file says stands; what it leaves open can be said once, and undone."""
    with pytest.raises(ReadingError, match="right side"):
        session.describe(0, laterality="left")
    open_side = Session([make_film(1), make_film(2, laterality=None)])
    assert open_side.why_not(1)
    open_side.describe(1, laterality="right")
    assert not open_side.why_not(1)


def test_films_that_state_no_view_need_it_said() -> None:
    """A picture that does not say what it shows is not read until somebody says so."""
    with pytest.raises(ReadingError, match="does not say which view"):
        Session([make_film(0, view=None)])
    assert Session([make_film(0, view=None)], view="ap").view.name == "ap"


def test_axis_is_locked_by_a_finished_reading(session: Session, truth: Truth, place_all: PlaceAll) -> None:
    """One axis per patient: it is set for every film, and a finished reading locks it."""
    other = session.site.axes[1]
    session.use_axis(other)
    assert {session.draft_of(n).axis for n in session.visits} == {other}
    place_all(session, truth)
    session.finish()
    with pytest.raises(ReadingError, match="locked"):
        session.use_axis(session.site.axes[0])


def test_a_new_film_takes_the_patients_axis(session: Session, truth: Truth, place_all: PlaceAll) -> None:
    """Opening a case again with a new film: it is read against the axis, and the day, of the finished one."""
    session.use_axis(session.site.axes[1])
    session.set_surgery_date("2026-01-04")
    place_all(session, truth)
    reading = load_reading(session.finish())
    new = make_film(8)
    stranger = make_film(9, patient_key="INV-2")
    again = Session([session.film, new, stranger], saved={session.film.digest: reading})
    assert [(again.draft_of(n).axis, again.draft_of(n).surgery_date) for n in range(3)] == [
        (session.site.axes[1], "2026-01-04"),
        (session.site.axes[1], "2026-01-04"),
        (session.site.axes[0], None),
    ]


def test_scale_by_clicks(session: Session) -> None:
    """A marker of 25 mm clicked over 200 pixels gives 0.125 mm, and can be chosen and taken away."""
    session.add_scale("marker", ((100.0, 100.0), (100.0, 300.0)), 25.0)
    session.use_scale("marker")
    scale = session.measured(0).scale
    assert scale
    assert scale.mm_per_px == pytest.approx((0.125, 0.125))
    with pytest.raises(HoldfastError, match="less than a pixel apart"):
        session.add_scale("marker", ((100.0, 100.0), (100.0, 100.0)), 25.0)
    session.remove_scale("marker")
    session.use_scale(None)
    assert session.measured(0).scale != scale


# --- What comes out ---


def test_follow_up_is_compared_and_flagged(session: Session, place_all: PlaceAll) -> None:
    """A gap that opened by 5 mm is beyond the limit, in the first row, with its change since index."""
    place_all(session, lateral_truth(gap=0.3))
    session.show(1)
    place_all(session, lateral_truth(gap=5.3))
    case, flags, reason = session.result()
    assert reason is None
    rows = result_rows(case, flags)
    assert rows[0].outcome == BEYOND
    gap = next(row for row in rows if row.key == ("articular_gap", ""))
    assert gap.cells[2].startswith("+")
    assert gap.cells[4].startswith("▲ beyond")
    change = next(c for c in case.changes if c.key == gap.key and c.basis == INDEX)
    assert change.quantity
    assert change.quantity.value == pytest.approx(5.0, abs=0.3)
    over_time = trend(session, gap.key)
    assert over_time
    assert [point.current for point in over_time.points] == [False, True]
    assert np.allclose(np.diff([point.value for point in over_time.points]), change.quantity.value)


def test_the_other_view_of_a_visit_tells_how_deep_the_pins_lie(
    tmp_path: Path, truth: Truth, place_all: PlaceAll
) -> None:
    """Placing the AP film of the first visit compares the lateral films anew, as a folder is compared."""
    case = phantom.Case(pose=dataclasses.replace(phantom.Case().pose, view="ap"))
    ap_truth = {name: landmark.film for name, landmark in phantom.landmarks(case).items()}
    first, second = make_film(0), make_film(1)
    session = Session([first, second, make_film(7, view="ap", date=first.date)], folder=tmp_path)
    ap = next(n for n, film in enumerate(session.films) if film.view == "ap")
    lateral = [n for n in range(3) if n != ap]
    for number in lateral:
        session.open_case(number)
        place_all(session, truth)
    alone = session.compared(*lateral, INDEX)
    assert session.compared(*lateral, INDEX) is alone
    session.open_case(ap)
    place_all(session, ap_truth)
    told = session.compared(*lateral, INDEX)
    films = [session.measured(n) for n in range(3)]
    grouped = [c for found in group(films)[0] for c in found.changes]
    for changes, same in ((told, True), (alone, False)):
        depths = [[(pin.depth, pin.depth_u) for pin in found[0].comparison.movement.pins]
                  for found in (changes, grouped) if found[0].comparison]  # fmt: skip
        assert (depths[0] == depths[1]) is same


def test_listeners_hear_every_change(session: Session) -> None:
    """A widget is told once per action, and not after it has left."""
    heard: list[int] = []
    listener = lambda: heard.append(1)  # noqa: E731
    session.listeners.append(listener)
    session.place((10.0, 20.0))
    assert heard
    session.listeners.remove(listener)
    count = len(heard)
    session.undo()
    assert len(heard) == count


def test_unfolded_session_cannot_save(films: list[Film], truth: Truth, place_all: PlaceAll) -> None:
    """Films without a file and a session without a folder: finishing says what to do."""
    session = Session([dataclasses.replace(film, path="") for film in films])
    place_all(session, truth)
    with pytest.raises(ReadingError, match="Open a folder"):
        session.finish()


def test_folder_that_cannot_be_written(session: Session, tmp_path: Path) -> None:
    """Where drafts cannot be kept the reader is told, and reading goes on."""
    (tmp_path / ".holdfast").write_text("a file in the way")
    session.place((10.0, 20.0))
    assert any("could not be kept" in trouble for trouble in session.troubles)
    assert session.draft.landmarks


def test_late_proposals_leave_the_landmark_in_hand(session: Session, truth: Truth) -> None:
    """What is laid while a reader is at work does not move the reader on."""
    session.select("joint_arc")
    session.place((30.0, 40.0))
    proposals = {"shaft_dorsal": Landmark(CONFIRMED, tuple(map(tuple, truth["shaft_dorsal"])))}
    assert session.propose(session.current, proposals) == 1
    assert session.active == "joint_arc"
    assert session.draft.landmarks["shaft_dorsal"].status == PROPOSED


def test_a_second_point_at_the_same_place_is_refused(session: Session) -> None:
    """Two points of one landmark lie apart; the reason is said."""
    session.place((10.0, 20.0))
    with pytest.raises(ReadingError, match="at this very place already"):
        session.place((10.0, 20.0))
    assert session.draft.landmarks["shaft_dorsal"].points == ((10.0, 20.0),)


def test_contradicting_sides_are_refused(tmp_path: Path) -> None:
    """Two films that state no side: said to be of one, they are one case; then one alone cannot be turned."""
    films = [make_film(n, laterality=None) for n in range(2)]
    session = Session(films, folder=tmp_path)
    session.describe(0, laterality="left")
    session.open_case(1)
    assert session.visits == (1,)
    session.describe(1, laterality="left")
    assert (session.index, session.current, session.visits) == (0, 1, (0, 1))
    with pytest.raises(ReadingError, match="one case has one side"):
        session.describe(1, laterality="right")
    assert session.draft.laterality == "left"
    with pytest.raises(ReadingError, match="one of left, right"):
        session.describe(0, laterality="middle")
    session.describe(1, laterality="")
    assert (session.index, session.current) == (1, 1)
    session.describe(1, laterality="right")
    session.undo()
    session.undo()
    assert (session.index, session.current, session.visits) == (0, 1, (0, 1))
    session.undo()  # before film 1 was described at all
    assert session.current in session.visits


def test_undoing_a_view_leaves_a_film_that_can_be_shown(tmp_path: Path) -> None:
    """A film whose view was said, shown, and taken back by undo is not the current one any more."""
    session = Session([make_film(0), make_film(1, view=None)], folder=tmp_path)
    session.describe(1, view="lateral")
    session.show(1)
    session.undo()
    assert (session.current, session.visits) == (0, (0,))


def test_films_of_one_day_are_one_visit(tmp_path: Path) -> None:
    """As in `series.group`: the last that was read stands for the day; any of them can be shown."""
    day = {"date": make_film(1).date}
    films = [make_film(0), make_film(1, **day), make_film(2, **day), make_film(3)]
    session = Session(films, folder=tmp_path)
    assert session.visits == (0, 2, 3)
    session.show(1)
    assert session.visits == (0, 1, 3)
    session.place((10.0, 20.0))
    session.show(0)
    assert session.visits == (0, 1, 3)
    index_day = {"date": make_film(0).date}
    session = Session([make_film(0), make_film(4, **index_day), make_film(3)], folder=tmp_path)
    session.place((10.0, 20.0))
    session.show(1)
    assert (session.index, session.current) == (1, 1)
    session.show(2)
    assert session.index == 0  # it was read, the other was not


def test_a_case_opened_at_a_later_film_begins_with_its_first(films: list[Film]) -> None:
    """Whichever film a case is opened at, its index film is the first."""
    session = Session([*films, make_film(5, patient_key="INV-2"), make_film(6, patient_key="INV-2")])
    session.open_case(4)
    assert (session.index, session.current) == (3, 4)


def test_an_older_draft_does_not_hide_a_newer_reading(
    session: Session, truth: Truth, place_all: PlaceAll
) -> None:
    """A draft of before the finished reading is set aside and said so; the reading is shown."""
    session.place((10.0, 20.0))
    assert session.store
    path = session.store.path(session.film)
    old = json.dumps(json.loads(path.read_text()) | {"time": "2020-01-01T00:00:00+00:00"})
    place_all(session, truth)
    reading = load_reading(session.finish())
    path.write_text(old)
    saved = {session.film.digest: reading}
    again = Session(session.films, folder=session.store.folder.parent, saved=saved)
    assert again.draft.landmarks == reading.landmarks
    assert "older than the finished one" in again.troubles[0]
    assert path.with_name(f"{path.name}.older-1").read_text() == old
    newer = json.loads(old) | {"time": "2999-01-01T00:00:00+00:00"}
    path.write_text(json.dumps(newer))
    again = Session(session.films, folder=session.store.folder.parent, saved=saved)
    assert list(again.draft.landmarks) == ["shaft_dorsal"]  # the check can fail


def test_an_undone_finish_is_restored(session: Session) -> None:
    """What is changed after a reading was finished is the working reading, also after a restart."""
    session.place((10.0, 20.0))
    session.skip("metal hides it")
    reading = load_reading(session.finish())
    session.undo()
    draft = session.draft
    assert session.store
    again = Session(session.films, folder=session.store.folder.parent, saved={session.film.digest: reading})
    assert again.draft == draft


def test_two_windows_on_one_folder_lose_nothing(session: Session) -> None:
    """The second to save sets the other's work aside under its own name, and says so."""
    assert session.store
    other = Session(session.films, reader="CD", folder=session.store.folder.parent)
    session.place((10.0, 20.0))
    path = session.store.path(session.film)
    first = path.read_text()
    other.place((30.0, 40.0))
    assert "Another window has changed" in other.troubles[0]
    assert path.with_name(f"{path.name}.other-1").read_text() == first
    assert "Another window has changed" not in " ".join(session.troubles)
    other.place((30.0, 50.0))
    session.place((10.0, 30.0))
    assert "Another window has changed" in session.troubles[0]
    assert len(list(session.store.folder.glob("*.other-*"))) == 2


def test_a_folder_gives_every_frame_of_a_file(tmp_path: Path) -> None:
    """A file of three frames is three films to choose from, each with its number."""
    from PIL import Image

    frames = [Image.fromarray(make_film(n).pixels[:60, :80].astype(np.uint16)) for n in range(3)]
    frames[0].save(tmp_path / "run.tif", save_all=True, append_images=frames[1:])
    *_, (_, _, folder) = load_folder(tmp_path)
    assert [film.frame for film in folder.films] == [1, 2, 3]
    assert not folder.problems


def test_cortices_of_unequal_count_are_not_answered(
    session: Session, truth: Truth, place_all: PlaceAll
) -> None:
    """Whichever has fewer points is asked for again: as they stand, neither can go into a reading."""
    place_all(session, truth)
    near, far = session.view.axis["near"], session.view.axis["far"]
    for name, other in ((far, near), (near, far)):
        session.select(name)
        session.place(tuple(truth[name][0] + 30.0))
        assert session.checklist.remaining == (other,)
        assert session.view.landmark[other].title in session.checklist.unanswered()
        session.undo()
        assert not session.checklist.remaining


def test_an_optional_landmark_that_is_begun_is_asked_for(
    session: Session, truth: Truth, place_all: PlaceAll
) -> None:
    """Half placed it would be left out of the reading in silence; cleared, nobody asks for it."""
    place_all(session, truth)
    rows = session.view.landmarks
    name = next(row.name for row in rows if row.points[0] > 1 and row.name not in session.checklist.asked)
    session.select(name)
    session.place((300.0, 300.0))
    assert session.checklist.remaining == (name,)
    session.clear(name)
    assert not session.checklist.remaining


def test_frames_that_cannot_be_read_are_said(tmp_path: Path) -> None:
    """A frame that is no film, and those beyond the most that are shown, are named; the others are shown."""
    from PIL import Image

    frames = [
        Image.fromarray(make_film(n).pixels[:60, :80].astype(np.uint16)) for n in range(MOST_FRAMES + 2)
    ]
    frames[1] = Image.fromarray(np.random.default_rng(1).integers(0, 255, (60, 80, 3), np.uint8))
    frames[0].save(tmp_path / "run.tif", save_all=True, append_images=frames[1:])
    *_, (_, _, folder) = load_folder(tmp_path)
    assert [film.frame for film in folder.films] == [1, *range(3, MOST_FRAMES + 1)]
    fault, more = folder.problems
    assert fault.startswith(f"run.tif, frame 2 of {MOST_FRAMES + 2}: ")
    assert "colour" in fault
    assert more == f"run.tif: holds {MOST_FRAMES + 2} frames; the first {MOST_FRAMES} are shown"


def test_an_unread_index_film_is_no_point_of_a_trend(
    session: Session, truth: Truth, place_all: PlaceAll
) -> None:
    """Change is nought on the index film by definition, but only once that was read."""
    key = next((row.name, row.target) for row in session.view.changes if row.name == "back_out")
    assert trend(session, key).points == ()
    place_all(session, truth)
    assert [point.value for point in trend(session, key).points] == [0.0]


def test_a_folder_tells_what_was_not_looked_at(tmp_path: Path) -> None:
    """A link is not followed, and is named beside the films or in place of them."""
    from PIL import Image

    Image.fromarray(make_film(1).pixels[:60, :80].astype(np.uint16)).save(tmp_path / "film.png")
    (tmp_path / "links").mkdir()
    (tmp_path / "links" / "link.png").symlink_to(tmp_path / "film.png")
    *_, (_, _, folder) = load_folder(tmp_path)
    assert [film.name for film in folder.films] == ["film.png"]
    assert folder.problems[0].startswith("link.png: A symbolic link is not followed")
    with pytest.raises(FilmError, match=r"No film was found.*link\.png: A symbolic link is not followed"):
        next(load_folder(tmp_path / "links"))


def test_a_whole_wire_is_told_in_words(session: Session, truth: Truth, place_all: PlaceAll) -> None:
    """No break on either film is no '0.0 ± 0.0 mm'."""
    for number in range(2):
        session.show(number)
        place_all(session, truth)
    case, flags, _ = session.result()
    row = next(row for row in result_rows(case, flags) if row.key[0] == "wire_break")
    assert row.cells[1:3] == ("none", "none on both")
    assert not any("0.0 ± 0.0" in cell for row in result_rows(case, flags) for cell in row.cells)


def test_no_chance_is_said_to_be_certain(session: Session, truth: Truth, place_all: PlaceAll) -> None:
    """A table's hint says "> 99 %" or "< 1 %" where the report does, never 100 % or 0 %."""
    for number in range(2):
        session.show(number)
        place_all(session, truth)
    case, flags, _ = session.result()
    hints = " ".join(row.hint for row in result_rows(case, flags))
    assert "chance beyond it < 1 %" in hints
    assert not re.search(r"\b(100|0) %", hints)


def test_a_verdict_holds_no_half_comparison(session: Session, truth: Truth, place_all: PlaceAll) -> None:
    """What compares well stands nowhere without what does not: both only where there is room for all."""
    for number in range(2):
        session.show(number)
        place_all(session, truth)
    short, full = verdict(session.result()[0])
    assert "how the films compare (±" in full
    assert "how the films compare (±" not in short
    assert short.startswith("Since index: ")


def test_a_verdict_says_that_nobody_confirmed_its_landmarks(
    session: Session, truth: Truth, place_all: PlaceAll
) -> None:
    """Marks carried over lie as they lay: what they say is never said as if somebody had looked."""
    place_all(session, truth)
    session.show(1)
    carried = {name: Landmark("proposed", mark.points) for name, mark in session.draft_of(0).landmarks.items()
               if mark.points}  # fmt: skip
    session.propose(1, carried)
    for words in verdict(session.result()[0]):
        assert "by landmarks that nobody has confirmed" in words
    while session.active and session.draft.landmarks.get(session.active):
        session.confirm()
    assert not any(mark.status == "proposed" for mark in session.draft.landmarks.values())
    assert "nobody" not in "".join(verdict(session.result()[0]))


def test_the_table_says_briefly_why_there_is_no_value(
    session: Session, truth: Truth, place_all: PlaceAll
) -> None:
    """A cell that cannot tell names what is lacking; the hint has it in full, and a value needs no reason."""
    case, flags, _ = session.result()
    before = {row.key: row for row in result_rows(case, flags)}
    assert before["articular_gap", ""].cells[-1] == "? cannot tell: not placed"
    assert "No value: not placed: " in before["articular_gap", ""].hint
    place_all(session, truth)
    session.select("loop")
    session.skip("metal hides it")
    case, flags, _ = session.result()
    after = {row.key: row.cells[-1] for row in result_rows(case, flags)}
    assert "? cannot tell: not seen" in after.values()
    assert ":" not in after["articular_gap", ""]
