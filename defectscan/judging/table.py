"""All sessions laid out as arrays: photos by raters, by sessions, by showings."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from defectscan.judging.grades import Session
from defectscan.judging.key import DeckKey, KeyedPhoto
from defectscan.judging.scale import Scale
from defectscan.workshop.local_time import place_in_time

Floats = NDArray[Any]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sitting:
    """One session of one rater.

    Attributes
    ----------
    rater
        Index of the rater.
    on
        When, in local time.
    readings
        Shape (n_photos, 2): first and second showing, nan where missing.
    """

    rater: int
    on: datetime
    readings: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GradeTable:
    """What was graded, as arrays.

    Attributes
    ----------
    scale
        Of all decks.
    photos
        Of all decks, each once.
    raters
        Names, as first written.
    truth
        Shape (n_photos,), nan where not known, or known from a lower limit upwards alone.
    sittings
        By date.
    n_decks
        How many decks there are.
    """

    scale: Scale
    photos: tuple[KeyedPhoto, ...]
    raters: tuple[str, ...]
    truth: Floats
    sittings: tuple[Sitting, ...]
    n_decks: int

    def of(self, rater: int) -> tuple[Sitting, ...]:
        """Return a rater's sessions, by date."""
        return tuple(one for one in self.sittings if one.rater == rater)

    def last(self) -> Floats:
        """Return each rater's last first-showing grades, shape (n_photos, n_raters)."""
        found = np.full((len(self.photos), len(self.raters)), np.nan)
        for one in self.sittings:
            grades = _first(one.readings)
            given = ~np.isnan(grades)
            found[given, one.rater] = grades[given]
        return found

    def repeats(self, rater: int) -> Floats:
        """Return all pairs of showings within a session, shape (n, 2), nan where missing."""
        pairs = [one.readings for one in self.of(rater)]
        return np.concatenate(pairs) if pairs else np.empty((0, 2))

    def from_session_to_session(self, rater: int) -> Floats:
        """Return grades of the same photo in one session and the next, shape (n, 2)."""
        first = [_first(one.readings) for one in self.of(rater)]
        pairs = [np.column_stack(two) for two in pairwise(first)]
        return np.concatenate(pairs) if pairs else np.empty((0, 2))

    def gauge(self) -> Floats:
        """Return photos shown twice in each rater's last session, (n_photos, n_raters, 2)."""
        found = np.full((len(self.photos), len(self.raters), 2), np.nan)
        for one in self.sittings:
            whole = ~np.isnan(one.readings).any(axis=1)
            found[whole, one.rater] = one.readings[whole]
        return found[~np.isnan(found).any(axis=(1, 2))]

    def errors(self, rater: int) -> tuple[Floats, Floats]:
        """Return a rater's errors and session numbers, all showings, each shape (n,)."""
        errors, numbers = [], []
        for number, one in enumerate(self.of(rater), start=1):
            off = (one.readings - self.truth[:, None]).ravel()
            errors.append(off)
            numbers.append(np.full(len(off), float(number)))
        if not errors:
            return np.empty(0), np.empty(0)
        return np.concatenate(errors), np.concatenate(numbers)


def lay_out(decks: Sequence[tuple[DeckKey, Sequence[Session]]]) -> GradeTable:
    """Lay out sessions of decks of one scale.

    A rater is known by name, capitals and spaces apart; a photo by its content, in every deck. Its
    value is that of the first deck that has one.

    Parameters
    ----------
    decks
        At least one, each with its sessions.
    """
    photos: dict[str, KeyedPhoto] = {}
    for key, _ in decks:
        for photo in key.photos:
            if photo.ident not in photos or photos[photo.ident].reference is None:
                photos[photo.ident] = photo
    places = {ident: i for i, ident in enumerate(photos)}
    names: dict[str, str] = {}
    for _, sessions in decks:
        for session in sessions:
            names.setdefault(_folded(session.rater), session.rater)
    raters = sorted(names)
    sittings = []
    for key, sessions in decks:
        rows = [places[photo.ident] for photo in key.photos]
        for session in sessions:
            readings = np.full((len(photos), 2), np.nan)
            seen: set[int] = set()
            for number, card in enumerate(key.cards, start=1):
                showing = int(card in seen)
                seen.add(card)
                grade = session.grades.get(number)
                if grade is not None:
                    readings[rows[card], showing] = grade
            sittings.append(
                Sitting(
                    rater=raters.index(_folded(session.rater)),
                    on=place_in_time(session.graded_on),
                    readings=readings,
                )
            )
    known = [photo.reference for photo in photos.values()]
    truth = [np.nan if one is None or one.at_least else one.value for one in known]
    return GradeTable(
        scale=decks[0][0].scale,
        photos=tuple(photos.values()),
        raters=tuple(names[folded] for folded in raters),
        truth=np.array(truth, dtype=float),
        sittings=tuple(sorted(sittings, key=lambda one: one.on)),
        n_decks=len(decks),
    )


def _first(readings: Floats) -> Floats:
    """Return the first showing's grade, or the second's where the first is missing."""
    return np.where(np.isnan(readings[:, 0]), readings[:, 1], readings[:, 0])


def _folded(name: str) -> str:
    return " ".join(name.casefold().split())
