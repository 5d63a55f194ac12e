"""What is measured on the films of a session, each thing once for the same readings. No Qt."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from measure.film import Film
from measure.measurements import measure_film
from measure.profiles import Profiles
from measure.reading import Reading
from measure.series import Change, MeasuredFilm, beside, by_visit, compare, measure
from measure.sites import MeasurementRow, Site
from viewer.drafts import Draft, to_reading


class Measuring:
    """Films as measured with their drafts, and the changes between them; what nothing touched is kept.

    Parameters
    ----------
    films
        Numbered as in the session.
    site
        Table to measure by.
    profiles
        Measured uncertainties by site and view; others rest on the defaults.
    """

    def __init__(self, films: Sequence[Film], site: Site, profiles: Profiles) -> None:
        self._films, self._site, self._profiles = films, site, profiles
        self._measured: dict[int, tuple[Draft, MeasuredFilm]] = {}
        self._glanced: tuple[Draft, MeasuredFilm] | None = None
        self._changes: dict[tuple[int, int, str], tuple[list[MeasuredFilm], tuple[Change, ...]]] = {}

    def is_known(self, number: int, draft: Draft) -> bool:
        """Whether a film is measured in full with this very draft."""
        known = self._measured.get(number)
        return known is not None and known[0] is draft

    def film(self, number: int, draft: Draft) -> MeasuredFilm:
        """Return a film with all that is measured on it, computing only what its last change touched."""
        known = self._measured.get(number)
        if known and known[0] is draft:
            return known[1]
        film = self._films[number]
        reading = to_reading(draft, film, self._site)
        if known and replace(known[0], landmarks=draft.landmarks) == draft:
            result = _updated(known[1], reading, film)
        else:
            result = measure(film, reading, self._profiles.get((self._site.name, draft.view)))
        self._measured[number] = (draft, result)
        return result

    def glance(self, number: int, draft: Draft) -> MeasuredFilm:
        """Return a film as a moving point leaves it: first order alone, for showing only.

        What the point does not touch is as it was last measured in full. Nothing is kept but the last glance.
        """
        known = self._measured.get(number)
        if not known or known[0] is draft or replace(known[0], landmarks=draft.landmarks) != draft:
            return self.film(number, draft)
        if self._glanced is None or self._glanced[0] is not draft:
            film = self._films[number]
            self._glanced = draft, _updated(known[1], to_reading(draft, film, self._site), film, linear=True)
        return self._glanced[1]

    def changes(
        self,
        which: tuple[int, int, str],
        pair: tuple[MeasuredFilm, MeasuredFilm],
        days: Iterable[MeasuredFilm],
    ) -> tuple[Change, ...]:
        """Return every change from one film to another, computed once for the same sets of numbers.

        Parameters
        ----------
        which
            Numbers of both films and what the change is since.
        pair
            The earlier film and the later one.
        days
            Films of the same days in another view, which tell how deep the pins lie.

        Raises ComparisonError where the pair must not be compared.
        """
        others = beside(pair, by_visit(days))
        known = self._changes.get(which)
        if known is None or [*map(id, known[0])] != [*map(id, (*pair, *others))]:
            known = [*pair, *others], compare(*pair, which[2], others)
            self._changes[which] = known
        return known[1]


def _updated(known: MeasuredFilm, reading: Reading, film: Film, *, linear: bool = False) -> MeasuredFilm:
    """Measure again what the landmarks that differ take part in, or everything where that is not enough.

    The bone axis takes part in everything. So does whatever makes a value appear, vanish or be doubted:
    a pin that runs against the axis throws doubt on every value that rests on the axis.
    """
    old, new = known.reading.landmarks, reading.landmarks
    changed = {name for name in {*old, *new} if old.get(name) != new.get(name)}

    def touched(row: MeasurementRow) -> bool:
        return bool(changed & {*row.landmarks, *row.optional})

    before = {m.key: m for m in known.measurements}
    everything = bool(changed & set(known.view.axis.values()))
    if not everything:
        fresh = {
            m.key: m
            for m in measure_film(
                reading, known.scale, film.aspect, profile=known.profile, wanted=touched, linear=linear
            )
        }
        everything = any(m.reason != before[key].reason for key, m in fresh.items())
    if everything:
        fresh = {
            m.key: m
            for m in measure_film(reading, known.scale, film.aspect, profile=known.profile, linear=linear)
        }
    measurements = tuple(fresh.get(key, m) for key, m in before.items())
    return replace(known, reading=reading, measurements=measurements)
