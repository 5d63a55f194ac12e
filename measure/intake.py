"""Films taken in: from folders, discs and archives into one tree, by patient, side, view and visit.

Each film is copied once, however often it comes. It waits in `to-check` until nothing about it is left to
doubt: what is not sure is asked in `doubts.csv`, which the user fills in. An answer decides where a film is
filed; the film itself is never changed. A run that is stopped leaves films waiting, and none half copied.
"""

from __future__ import annotations

import contextlib
import csv
import hashlib
import shutil
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path

from measure.doubts import KINDS, LEAVE_OUT, Doubt, as_a_copy, beside, content, of_header, shows_two
from measure.errors import HoldfastError
from measure.export import write_table
from measure.film import Film, read_film
from measure.unpack import Problems, films_in

WAITING, LEFT_OUT, FILMS, DOUBTS = "to-check", "left-out", "films.csv", "doubts.csv"
COLUMNS = ("film", "waits_as", "doubt", "seen", "question", "answers", "answer")
TWIN = (
    "It has the same pixels as {}, but says another patient, side, view or date; it was not taken in. Find "
    "out which is right, and remove the other."
)


@dataclass(frozen=True)
class Known:
    """What is known of a film; one row of `films.csv`, once it is filed.

    `patient` and `birth` are hashes, so that neither folders nor tables hold identifiers; `content` is the
    same for a film that was only turned; `place` is relative to the tree.
    """

    name: str
    place: str
    digest: str
    content: str
    uid: str
    patient: str
    birth: str
    side: str
    view: str
    date: str

    @property
    def case(self) -> tuple[str, str, str]:
        """What films share that show one thing over time."""
        return self.patient, self.side, self.view

    @property
    def said(self) -> tuple[str, ...]:
        """What a copy of the film must say, too."""
        return *self.case, self.date


@dataclass(frozen=True)
class Waiting:
    """A film that waits, and what is to be asked about it."""

    known: Known
    doubts: tuple[Doubt, ...]


@dataclass(frozen=True)
class Intake:
    """What came of it: how many films were filed, were here already and left out; what waits; problems."""

    filed: int
    repeated: int
    left_out: int
    waiting: tuple[Waiting, ...]
    problems: tuple[tuple[str, str], ...]


def take_in(sources: Sequence[Path], out: Path) -> Intake:
    """Take films from sources into the tree at `out`, and settle those that wait there.

    Raises FilmError where a source is not there, HoldfastError where the tree cannot be written or its
    tables cannot be read.
    """
    problems: Problems = []
    try:
        for folder in (WAITING, LEFT_OUT):
            (out / folder).mkdir(parents=True, exist_ok=True)
        filed = [Known(**row) for row in _rows(out / FILMS, [row.name for row in fields(Known)])]
        asked = _rows(out / DOUBTS, COLUMNS)
        waiting = _looked(out, {row["waits_as"]: row["film"] for row in asked}, problems)
        repeated = _copy(sources, out, filed, waiting, problems)
        answers = {(row["waits_as"], row["doubt"]): row["answer"].strip().lower() for row in asked}
        before = len(filed)
        still, left_out = _settle(waiting, answers, filed, out, problems)
        write_table(out / FILMS, [row.name for row in fields(Known)], map(asdict, filed))
        write_table(out / DOUBTS, COLUMNS, _questions(still, answers))
    except OSError as error:
        raise HoldfastError(
            f"Films could not be filed under {out.name!r}: {error.strerror}. None was lost: mend that, and "
            "take them in again."
        ) from None
    return Intake(len(filed) - before, repeated, left_out, tuple(still), tuple(problems))


def _rows(path: Path, columns: Sequence[str]) -> list[dict[str, str]]:
    """Rows of one of our tables; none where it is not there yet. A spreadsheet may have saved it anew."""
    if not path.exists():
        return []
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            start = file.read(4096).split("\n")[0]
            file.seek(0)
            rows = list(csv.DictReader(file, delimiter=max(",;\t", key=start.count)))
    except (UnicodeDecodeError, csv.Error) as error:
        raise HoldfastError(
            f"{path.name} cannot be read ({type(error).__name__}). Save it as CSV in UTF-8."
        ) from None
    if rows and not set(columns) <= set(rows[0]):
        raise HoldfastError(
            f"{path.name} needs the columns {', '.join(columns)}. Keep its first line as it was."
        )
    return [{name: (row[name] or "").removeprefix("'") for name in columns} for row in rows]


@contextlib.contextmanager
def _noted(problems: Problems, name: str) -> Iterator[None]:
    try:
        yield
    except HoldfastError as error:
        problems.append((name, str(error)))


# --- Coming in ---


def _looked(out: Path, names: dict[str, str], problems: Problems) -> list[Waiting]:
    """Look at the films that wait from an earlier run."""
    waiting = []
    for path in sorted((out / WAITING).glob("[!.]*")):
        with _noted(problems, path.name):
            waiting.append(_look(read_film(path), path, names.get(path.name, path.name)))
    return waiting


def _copy(
    sources: Iterable[Path], out: Path, filed: Iterable[Known], waiting: list[Waiting], problems: Problems
) -> int:
    """Copy each film that is not here yet to those that wait; return how many were here."""
    here = {known.digest: known for known in (*filed, *(film.known for film in waiting))}
    left_out = {path.stem for path in (out / LEFT_OUT).iterdir()}
    repeated = 0
    for source in sources:
        for name, path in films_in(source, problems):
            with _noted(problems, name):
                came = _look(film := read_film(path), path, name)
                first = here.setdefault(film.digest, came.known)
                if first.said != came.known.said:
                    raise HoldfastError(TWIN.format(first.name))
                if first is not came.known or _label(film.digest) in left_out:
                    repeated += 1
                    continue
                place = out / WAITING / f"{_label(film.digest)}{_suffix(path)}"
                _copy_whole(path, place)
                waiting.append(replace(came, known=replace(came.known, place=f"{WAITING}/{place.name}")))
    return repeated


def _label(digest: str) -> str:
    return digest.removeprefix("sha256:")[:24]


def _suffix(path: Path) -> str:
    """Return a picture's own ending; all else is DICOM, whatever it was called."""
    return (
        path.suffix.lower() if path.suffix.lower() in (".png", ".jpg", ".jpeg", ".tif", ".tiff") else ".dcm"
    )


def _copy_whole(path: Path, to: Path) -> None:
    part = to.with_name(f".{to.name}.part")
    shutil.copyfile(path, part)
    part.replace(to)


def _look(film: Film, path: Path, name: str) -> Waiting:
    """Say what is known of a film by itself, and what is doubtful about that."""
    known = Known(
        name=name,
        place=f"{WAITING}/{path.name}",
        digest=film.digest,
        content=content(film),
        uid=film.sop_instance_uid or "",
        patient=_hashed(film.patient_key),
        birth=_hashed(film.birth_date),
        side=film.laterality or "",
        view=film.view or "",
        date=film.date.isoformat() if film.date else "",
    )
    doubts = list(of_header(film))
    if shows_two(film) and "both sides" not in {doubt.kind for doubt in doubts}:
        doubts.append(Doubt("both sides", "it shows two parts of like size side by side"))
    return Waiting(known, tuple(doubts))


def _hashed(text: str | None) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:12] if text else ""


# --- Settling ---


def _settle(
    waiting: Iterable[Waiting],
    answers: Mapping[tuple[str, str], str],
    filed: list[Known],
    out: Path,
    problems: Problems,
) -> tuple[list[Waiting], int]:
    """File what is sure or answered for, adding it to `filed`; return what waits, and how many left."""
    still: list[Waiting] = []
    left_out = 0
    for film in sorted(waiting, key=lambda film: (film.known.date, film.known.digest)):
        known, name = film.known, Path(film.known.place).name
        with _noted(problems, known.name):
            others = [*filed, *(other.known for other in still)]
            film = Waiting(known, (*film.doubts, *_beside_others(known, others, out)))
        given = {doubt.kind: answers.get((name, doubt.kind), "") for doubt in film.doubts}
        wrong = [kind for kind, answer in given.items() if answer and not KINDS[kind].takes(answer)]
        problems += [
            (known.name, f"The answer about its {kind} is not one that may be given.") for kind in wrong
        ]
        if LEAVE_OUT in given.values():
            (out / known.place).replace(out / LEFT_OUT / name)
            left_out += 1
        elif wrong or "" in given.values():
            still.append(film)
        else:
            filed.append(_file(known, given, out))
    return still, left_out


def _beside_others(known: Known, others: Sequence[Known], out: Path) -> Iterator[Doubt]:
    """Give what is doubtful about a film beside those that came before it."""
    births = {other.birth for other in others if other.patient == known.patient} - {""}
    if known.patient and known.birth and births - {known.birth}:
        yield Doubt("two patients", "another date of birth than on films that are here")
    if twin := next((other for other in others if known.uid and other.uid == known.uid), None):
        yield Doubt("same UID", f"{twin.name} has it, too")
    turned = next((other for other in others if other.content == known.content), None)
    alike = [other for other in others if other.case == known.case and all(known.case)]
    first = turned or min(alike, key=lambda other: other.date, default=None)
    if first:
        pair = read_film(out / first.place), read_film(out / known.place)
        if doubt := as_a_copy(*pair) if turned else beside(*pair):
            yield replace(doubt, seen=doubt.seen.replace(pair[0].name, first.name))


def _file(known: Known, given: Mapping[str, str], out: Path) -> Known:
    """Give a film its place, by what it says and what was answered."""
    side = known.side or given.get("side") or given["both sides"]
    sorted_by = replace(known, side=side, view=known.view or given["view"], date=known.date or given["date"])
    folder = Path(f"patient-{known.patient}", f"{side}-{sorted_by.view}", sorted_by.date)
    place = folder / f"{_label(known.digest)}{Path(known.place).suffix}"
    (out / folder).mkdir(parents=True, exist_ok=True)
    (out / known.place).replace(out / place)
    return replace(sorted_by, place=place.as_posix())


def _questions(
    waiting: Iterable[Waiting], answers: Mapping[tuple[str, str], str]
) -> Iterator[dict[str, str]]:
    """Rows of `doubts.csv`; answers that are there stay."""
    for film in waiting:
        name = Path(film.known.place).name
        for doubt in film.doubts:
            kind = KINDS[doubt.kind]
            yield {
                "film": film.known.name,
                "waits_as": name,
                "doubt": doubt.kind,
                "seen": doubt.seen,
                "question": kind.question,
                "answers": " / ".join((*kind.answers, LEAVE_OUT)),
                "answer": answers.get((name, doubt.kind), ""),
            }
