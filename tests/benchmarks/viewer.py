"""The reading room's own time for one landmark move on a 3000 x 2400 film.

    python tests/benchmarks/viewer.py

A move is all that the room does for it (session, values, plain changes, table, marks, labels and lines);
drawing by napari and Qt afterwards is not counted. Where the point rests, everything is worked out once:
changes, outcomes, verdict and trend. Baseline: measuring the film from nothing. Times are of this machine;
what matters is that a move stays within one frame of 16 ms.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from virtual_screen import start_virtual_screen  # noqa: E402

FRAME_MS = 16.0
MOVES = 500
SWITCHES = 20


def timed(action: Callable[[], object]) -> float:
    """Milliseconds of this thread that an action takes: others on a shared machine do not count."""
    start = time.thread_time()
    action()
    return 1e3 * (time.thread_time() - start)


def say(words: str, times: list[float], baseline: float) -> None:
    median, late = np.percentile(times, (50, 99))
    verdict = "within a frame" if late < FRAME_MS else "LATE"
    print(
        f"{words:<46} median {median:6.2f} ms  99th percentile {late:6.2f} ms  {verdict}  "
        f"{median / baseline:.2f} of the baseline"
    )


def full_case(folder: Path):  # type: ignore[no-untyped-def]
    """Session on three visits of 3000 x 2400, all of them read."""
    import viewer_films
    from viewer_films import lateral_truth

    from viewer.session import Session

    viewer_films.SHAPE = (2400, 3000)
    session = Session([viewer_films.make_film(n, folder) for n in range(3)], reader="AB", folder=folder)
    for number, gap in enumerate((0.3, 0.8, 3.0)):
        session.show(number)
        truth = lateral_truth(gap=gap)
        while name := session.active:
            if name not in truth:
                session.absent()
                continue
            spread = np.linspace(0, len(truth[name]) - 1, session.view.landmark[name].points[0])
            for row, column in truth[name][spread.round().astype(int)]:
                session.place((row * 2.5, column * 2.5))
    return session


def moves(session):  # type: ignore[no-untyped-def]
    """Landmark, point and place of every move: each landmark in turn is dragged to and fro."""
    rng = np.random.default_rng(5)
    names = [name for name, landmark in session.draft.landmarks.items() if landmark.located]
    starts = {name: session.draft.landmarks[name].points[0] for name in names}
    for number in range(MOVES):
        name = names[number * len(names) // MOVES]
        yield name, 0, tuple(np.array(starts[name]) + rng.normal(0, 3, 2))


def main() -> None:
    """Print the figures."""
    from measure.series import measure
    from viewer.drafts import to_reading
    from viewer.layers import film_lines, marks, points_layer, vectors_layer
    from viewer.rows import moving_rows, result_rows

    with tempfile.TemporaryDirectory() as name:
        session = full_case(Path(name))
        film = session.film
        reading = to_reading(session.draft, film, session.site)
        baseline = float(np.median([timed(lambda: measure(film, reading)) for _ in range(30)]))
        print(f"{'baseline: the film measured from nothing':<46} median {baseline:6.2f} ms")

        case, flags, _ = session.result()
        rows = result_rows(case, flags)

        def move(target: tuple[str, int, tuple[float, float]]) -> None:
            session.drag(*target)
            glance = session.glance(session.current)
            moving_rows(rows, case, glance)
            points_layer(marks(session.draft, session.view, session.active))
            vectors_layer(film_lines(glance, film.aspect))

        say("one move, without a window", [timed(lambda t=t: move(t)) for t in moves(session)], baseline)
        session.drop()
        say(
            "one step kept on the disk",
            [timed(lambda: session._keep(session.current)) for _ in range(100)],
            baseline,
        )

        start_virtual_screen()
        from qtpy.QtWidgets import QApplication

        from viewer.app import open_room

        viewer, room = open_room()
        room.open(session)
        QApplication.processEvents()
        times, rests = [], []
        for number, target in enumerate(moves(session)):
            times.append(timed(lambda t=target: (session.drag(*t), room.reading.refresh())))
            QApplication.processEvents()
            if number % 25 == 24:
                session.drop()
                rests.append(timed(room.reading._show_result))
        say("one move, in the window", times, baseline)
        say("once the point rests: the full result", rests, baseline)
        switches = []
        for number in range(SWITCHES):
            session.show(1 + number % 2)
            switches.append(timed(room.reading.refresh))
            QApplication.processEvents()
        say("another film, its greys ready", switches, baseline)
        room.leave()
        viewer.close()


if __name__ == "__main__":
    main()
