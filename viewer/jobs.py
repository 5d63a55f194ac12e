"""What works off the window's thread, for one owner; and the row that says what is under way.

Every worker is started here. Nothing of a job is wanted once it was dropped or its owner is gone, and a
program that ends waits for its workers: Qt's objects go first, and a worker that speaks to one of them then
would bring the program down.
"""

from __future__ import annotations

import atexit
import functools
from collections.abc import Callable
from typing import Any

from qtpy.QtCore import QObject, Signal
from qtpy.QtWidgets import QHBoxLayout, QLabel, QProgressBar, QPushButton, QWidget

Done = Callable[[Any], object]


@functools.cache
def _wait_at_the_end() -> None:
    """Let the program wait for its workers when it ends: napari does so only where its own loop runs."""
    from napari.qt.threading import FunctionWorker

    atexit.register(FunctionWorker.await_workers)


class Jobs(QObject):
    """The jobs of one owner, which is their parent.

    Signals
    -------
    changed
        A job with words has begun or ended.
    """

    changed = Signal()

    def __init__(self, parent: QObject) -> None:
        super().__init__(parent)
        self._under_way: dict[Any, str] = {}
        self.destroyed.connect(self._under_way.clear)

    def start(
        self,
        work: Callable[..., Any],
        *arguments: Any,
        done: Done | None = None,
        failed: Done | None = None,
        progress: Done | None = None,
        words: str = "",
    ) -> Any:
        """Let a function work off the window's thread; return the job.

        Parameters
        ----------
        work, arguments
            The function; a generator yields its progress, and is stopped at its next yield when dropped.
        done, failed, progress
            Called in the window's thread with what comes back, with an error, with what is yielded.
        words
            What is under way, for the reader; a job without words is not spoken of.
        """
        from napari.qt.threading import create_worker

        _wait_at_the_end()
        job = create_worker(work, *arguments, _start_thread=False)
        job.returned.connect(lambda result: self._end(job, done, result))
        job.errored.connect(lambda error: self._end(job, failed, error))
        if progress is not None:
            job.yielded.connect(lambda step: progress(step) if job in self._under_way else None)
        self._under_way[job] = words
        self.changed.emit()
        job.start()
        return job

    def _end(self, job: Any, then: Done | None, result: Any) -> None:
        if job not in self._under_way:
            return  # nobody wants it any more
        self.drop(job)
        if then is not None:
            then(result)

    def drop(self, job: Any) -> None:
        """Want nothing of a job any more, if it is under way; a generator stops at its next step."""
        if self._under_way.pop(job, None) is not None:
            job.quit()
            self.changed.emit()

    def leave(self) -> None:
        """Drop every job."""
        for job in tuple(self._under_way):
            self.drop(job)

    def spoken_of(self) -> dict[Any, str]:
        """Jobs under way that have words, in the order of their beginning."""
        return {job: words for job, words in self._under_way.items() if words}


class BusyRow(QWidget):
    """Says what is under way, and lets the reader do without what may be left out.

    Signals
    -------
    stopped
        The reader does not want to wait.
    """

    stopped = Signal()

    def __init__(self, jobs: Jobs) -> None:
        super().__init__()
        self._jobs = jobs
        self._optional: Any = None
        self.words, bar, self.stop = QLabel(), QProgressBar(), QPushButton("Do without")
        self.words.setObjectName("quiet")
        self.words.setWordWrap(True)
        bar.setRange(0, 0)
        bar.setMaximumWidth(70)
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.addWidget(self.words, 1)
        row.addWidget(bar)
        row.addWidget(self.stop)
        self.stop.clicked.connect(self.stopped)
        jobs.changed.connect(self.refresh)
        self.hide()

    def offer_to_stop(self, job: Any) -> None:
        """Let the reader do without this job."""
        self._optional = job
        self.refresh()

    def refresh(self) -> None:
        """Show what is under way now."""
        under_way = self._jobs.spoken_of()
        self.words.setText("  ·  ".join(under_way.values()))
        self.stop.setVisible(self._optional in under_way)
        self.setVisible(bool(under_way))
