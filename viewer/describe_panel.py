"""Films whose file does not say their view or side: the reader says it. Shows and signals only."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from qtpy.QtCore import Qt, Signal
from qtpy.QtGui import QImage, QPixmap
from qtpy.QtWidgets import (
    QComboBox,
    QDialog,
    QGridLayout,
    QLabel,
    QPushButton,
    QScrollArea,
    QVBoxLayout,
    QWidget,
)

from measure.film import Film
from measure.sites import Site
from viewer.cases import SIDES
from viewer.drafts import Draft
from viewer.rows import frame_words
from viewer.style import dress

Descriptions = dict[str, tuple[str, str | None]]  # film digest to its view ("" unsaid) and side
PICTURE_PX = 150
WORDS = "What these films do not say, you say: it is kept with the reading as your word, not the film's."


class DescribeFilms(QWidget):
    """One row a film, with its picture.

    Signals
    -------
    described
        `Descriptions` of the films that were described.
    """

    described = Signal(object)

    def __init__(self, films: Sequence[Film], site: Site, known: Draft | None = None) -> None:
        super().__init__()
        self._choices: dict[str, tuple[Film, QComboBox, QComboBox]] = {}
        words = QLabel(WORDS)
        words.setObjectName("quiet")
        words.setWordWrap(True)
        rows = QWidget()
        grid = QGridLayout(rows)
        for number, film in enumerate(films):
            self._add(grid, number, film, site, known)
        grid.setRowStretch(len(films), 1)
        area = QScrollArea()
        area.setWidgetResizable(True)
        area.setWidget(rows)
        self.read = QPushButton("Read them" if len(films) > 1 else "Read it")
        self.read.clicked.connect(lambda: self.described.emit(self.said()))
        layout = QVBoxLayout(self)
        for widget in (words, area, self.read):
            layout.addWidget(widget)
        self._complete()

    def _add(self, grid: QGridLayout, number: int, film: Film, site: Site, known: Draft | None) -> None:
        picture = QLabel()
        picture.setPixmap(_picture(film))
        date = film.date.isoformat() if film.date else "no date"
        title = QLabel(f"{date} · {frame_words(film)}{film.name}")
        title.setWordWrap(True)
        view, side = QComboBox(), QComboBox()
        view.addItem("View: not stated", "")
        for row in site.views.values():
            view.addItem(row.title, row.name)
        side.addItem("Side: not stated", None)
        for name in SIDES:
            side.addItem(name, name)
        for choice, stated, said in (
            (view, film.view, known.view if known else ""),
            (side, film.laterality, known.laterality if known else None),
        ):
            choice.setCurrentIndex(max(choice.findData(stated or said), 0))
            choice.setEnabled(stated is None)
            choice.currentIndexChanged.connect(lambda _: self._complete())
        grid.addWidget(picture, 3 * number, 0, 3, 1)
        for row_number, widget in enumerate((title, view, side)):
            grid.addWidget(widget, 3 * number + row_number, 1)
        self._choices[film.digest] = film, view, side

    def said(self) -> Descriptions:
        """Give what was said so far, of films that have a view by now."""
        return {
            digest: (str(view.currentData()), side.currentData())
            for digest, (_, view, side) in self._choices.items()
            if view.currentData()
        }

    def _complete(self) -> None:
        self.read.setEnabled(bool(self.said()))

    def choices(self, film: Film) -> tuple[QComboBox, QComboBox]:
        """View and side boxes of one film."""
        _, view, side = self._choices[film.digest]
        return view, side


class DescribeDialog(QDialog):
    """One film that does not say what it shows."""

    def __init__(self, film: Film, site: Site, known: Draft, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        dress(self)
        self.setWindowTitle("What does this film show?")
        self.films = DescribeFilms([film], site, known)
        layout = QVBoxLayout(self)
        layout.addWidget(self.films)
        self.resize(460, 300)


def _picture(film: Film) -> QPixmap:
    shades = film.display()
    step = max(1, max(shades.shape) // (2 * PICTURE_PX))
    grey = np.ascontiguousarray((255 * np.clip(shades[::step, ::step], 0, 1)).astype(np.uint8))
    rows, columns = grey.shape
    image = QImage(grey.tobytes(), columns, rows, columns, QImage.Format.Format_Grayscale8).copy()
    return QPixmap.fromImage(image).scaled(
        PICTURE_PX, PICTURE_PX, Qt.AspectRatioMode.KeepAspectRatio, Qt.TransformationMode.SmoothTransformation
    )
