"""Working and finished readings of a session's films on the disk: brought back, kept, finished. No Qt."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from measure.errors import HoldfastError, ReadingError
from measure.film import Film
from measure.reading import SUFFIX, Reading, save_reading
from measure.sites import Site
from viewer.drafts import Draft, DraftStore, from_reading, to_reading, whole


class Keeping:
    """What is kept of each film, by the session's numbers.

    Parameters
    ----------
    films
        Numbered as in the session.
    site
        Table that they are read by; readings of another site are left alone.
    folder
        Where drafts are kept (and finished readings of films without a file); None keeps none.
    saved
        Film digest to the standing finished reading.

    `finished` is each film's last finished reading, as a draft; `troubles` what went wrong, in words.
    """

    def __init__(
        self, films: Sequence[Film], site: Site, folder: Path | None, saved: Mapping[str, Reading]
    ) -> None:
        self._films, self._site, self.folder = films, site, folder
        self.store = DraftStore(folder) if folder else None
        self.troubles: list[str] = []
        readings = [saved.get(film.digest) for film in films]
        self._saved = [reading if reading and reading.site == site.name else None for reading in readings]
        self.finished: list[Draft | None] = [from_reading(done) if done else None for done in self._saved]

    def restored(self, number: int) -> Draft | None:
        """Return a film's working reading, else its finished one; None where it has neither."""
        kept = None
        try:
            kept = self.store.load(self._films[number], self._saved[number]) if self.store else None
        except ReadingError as error:
            self.troubles.append(str(error))
        return kept or self.finished[number]

    def keep(self, number: int, draft: Draft) -> None:
        """Keep a working reading; one that is finished as it stands needs no draft."""
        if self.store is None:
            return
        film, done = self._films[number], self.finished[number]
        try:
            trouble = self.store.drop(film) if done and done == draft else self.store.save(film, draft)
        except (HoldfastError, OSError) as error:
            trouble = str(error)
        if trouble and trouble not in self.troubles:
            self.troubles.append(trouble)

    def is_finished(self, number: int, draft: Draft) -> bool:
        """Whether a film's reading is saved as it stands."""
        done = self.finished[number]
        return done is not None and done.same_work(draft)

    def finish(self, number: int, draft: Draft) -> tuple[Path, Draft]:
        """Save a reading as a new file beside the film; return its path and the draft that it leaves.

        A second reading supersedes the first, whose file stays. Raises ReadingError where there is nothing
        to save or the file cannot be written.
        """
        if done := self.finished[number]:  # undone or not, the last file that was saved is superseded
            draft = replace(draft, supersedes=done.supersedes)
        if not (whole(draft.landmarks, self._site.views[draft.view]) or draft.observations):
            raise ReadingError("There is nothing to save: no landmark is placed, answered or graded yet.")
        film = self._films[number]
        reading = to_reading(draft, film, self._site)
        if clash := dict.fromkeys(reading.contradictions.values()):
            raise ReadingError(f"These grades do not go together: {'; '.join(clash)}. Mend one, then finish.")
        path = save_reading(reading, self._free_path(film))
        self.finished[number] = saved = from_reading(reading)
        return path, saved

    def _free_path(self, film: Film) -> Path:
        path = Path(film.path)
        folder = path.parent if film.path else self.folder
        if folder is None:
            raise ReadingError(
                "These films came without a folder, so nothing can be saved. Open a folder of films."
            )
        stem = path.stem if film.path else film.digest.removeprefix("sha256:")[:16]
        names = (f"{stem}{SUFFIX}", *(f"{stem}-{n}{SUFFIX}" for n in range(2, 10_000)))
        return next(folder / name for name in names if not (folder / name).exists())
