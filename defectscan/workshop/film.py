"""Film thickness from gauge readings: spots, the panel, and what polishing has taken off.

A spot is the mean of at least three readings within a circle of 4 cm, an area five spots. Unusual
readings that cannot be repeated are left out. A gauge on metal reads all layers together: nothing
here is the thickness of the clear coat alone.

References
----------
SSPC-PA 2 (2012), spot and area measurement; ASTM D7091: gauges read the sum of all layers.
"""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from defectscan.workshop.evidence import Z95, Figure, UnusableFiguresError

Floats = NDArray[Any]
Readings = Mapping[str, Sequence[float]]

LEAST_READINGS = 3
LEAST_SPOTS = 5
# Common practice, without a source.
REPEATABLE_UM = 5.0
# Stands in where too few spots were read to show their own spread; without a source.
USUAL_SPOT_SD_UM = 5.0
USUAL_CUT_SD_UM = 1.0
# Gauges show whole micrometres: common practice, without a source.
READING_STEP_UM = 1.0
NO_SPREAD_UM = 1e-9
# The place of readings entered without one: in another state it need not be the same.
UNNAMED = "unnamed"
THINNER_THAN_ALL = "It is thinner than any spot that counts: read it again before any pass."


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """One spot: the mean of its readings.

    Attributes
    ----------
    mean_um
        Mean of the readings kept.
    sd_um
        Their standard deviation.
    n_readings
        How many were kept.
    discarded_um
        Readings left out because the others do not repeat them.
    """

    mean_um: float
    sd_um: float
    n_readings: int
    discarded_um: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Film:
    """Film thickness of a panel in one state, all layers together.

    Attributes
    ----------
    mean_um
        Mean of the spots with its interval.
    thinnest_um
        The thinnest spot, with the interval of its readings; not the panel's thinnest place.
    standard_error_um
        Of the mean.
    n_spots
        Spots read.
    spots
        By name.
    notes
        Where the published rule is not met, and readings left out.
    """

    mean_um: Figure
    thinnest_um: Figure
    standard_error_um: float
    n_spots: int
    spots: Mapping[str, Spot]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmTaken:
    """Film taken off between two states.

    Attributes
    ----------
    mean_um
        With its interval, by Student's t.
    standard_error_um
        Of the mean.
    paired
        Whether the same spots were read in both states, so that their differences count.
    n_spots
        Spots it rests on (the fewer of both states where not paired).
    """

    mean_um: Figure
    standard_error_um: float
    paired: bool
    n_spots: int


def average_spot(readings_um: Sequence[float], *, repeatable_um: float = REPEATABLE_UM) -> Spot:
    """Average the readings of one spot, leaving out extremes that are not repeated.

    Parameters
    ----------
    readings_um
        At least three.
    repeatable_um
        A reading further than this from the median of the others is left out, the furthest
        first, as long as three are left. Readings left out that lie within this of one another
        are no slips but another place.

    Raises
    ------
    UnusableFiguresError
        Fewer than three readings, one that is no thickness, no three that agree, or two places.

    Examples
    --------
    >>> average_spot([101.0, 103.0, 102.0, 140.0]).discarded_um
    (140.0,)
    """
    kept = [float(value) for value in readings_um]
    if len(kept) < LEAST_READINGS:
        raise UnusableFiguresError(
            f"a spot with {len(kept)} reading{'s' * (len(kept) != 1)}",
            allowed=f"a spot is the mean of at least {LEAST_READINGS} readings within 4 cm",
            remedy="take more readings at this spot",
        )
    if not all(math.isfinite(value) and value > 0 for value in kept):
        raise UnusableFiguresError(
            f"film readings {', '.join(f'{value:g}' for value in kept)} um",
            allowed="a thickness is a number above 0 um",
            remedy="correct the entry",
        )
    discarded: list[float] = []
    while True:
        off = [abs(v - median(kept[:i] + kept[i + 1 :])) for i, v in enumerate(kept)]
        # Of two that are as far off the thicker is left out, in whatever order they were read.
        furthest = max(range(len(kept)), key=lambda i: (round(off[i], 6), kept[i]))
        if off[furthest] <= repeatable_um:
            break
        if len(kept) == LEAST_READINGS:
            raise UnusableFiguresError(
                f"the readings {', '.join(f'{value:g}' for value in readings_um)} um disagree",
                allowed=f"three of a spot lie within {repeatable_um:g} um of one another's median",
                remedy="clean the spot and the probe, and take more readings there",
            )
        discarded.append(kept.pop(furthest))
    if _repeat_one_another(discarded, repeatable_um) or len(discarded) >= len(kept):
        raise UnusableFiguresError(
            f"the readings {', '.join(f'{value:g}' for value in readings_um)} um look like two "
            "places under one name",
            allowed="readings are left out of a spot where no other repeats them",
            remedy="enter the readings of each place under its own name, with --at",
        )
    return Spot(
        mean_um=float(np.mean(kept)),
        sd_um=float(np.std(kept, ddof=1)),
        n_readings=len(kept),
        discarded_um=tuple(discarded),
    )


def average_film(readings_um: Readings, *, repeatable_um: float = REPEATABLE_UM) -> Film:
    """Average the spots of a panel in one state.

    Parameters
    ----------
    readings_um
        For each spot, by name, at least three readings.
    repeatable_um
        See `average_spot`.

    Raises
    ------
    UnusableFiguresError
        No spot, or one that cannot be averaged.
    """
    if not readings_um:
        raise UnusableFiguresError(
            "no film-thickness spot",
            allowed=f"{LEAST_SPOTS} spots a panel, at least one",
            remedy="read the film at several spots of the panel",
        )
    spots = {
        name: average_spot(values, repeatable_um=repeatable_um)
        for name, values in readings_um.items()
    }
    means = np.array([spot.mean_um for spot in spots.values()])
    n = len(means)
    error, degrees = USUAL_SPOT_SD_UM, math.inf
    if n > 1:
        spread = float(np.std(means, ddof=1)) / math.sqrt(n)
        error, degrees = _at_least_rounding(spread, n - 1, means=1, n_averaged=n)
    return Film(
        mean_um=_student(float(means.mean()), error, degrees),
        thinnest_um=thinnest_of(spots, spots),
        standard_error_um=error,
        n_spots=n,
        spots=spots,
        notes=_notes(spots),
    )


def thinnest_of(spots: Mapping[str, Spot], names: Collection[str]) -> Figure:
    """Return the thinnest of some spots, um, with the interval of its readings.

    Parameters
    ----------
    spots
        All spots of one state by name; their readings together show how well one repeats.
    names
        Of the spots that are asked for; at least one.
    """
    thin = min((spots[name] for name in names), key=lambda spot: spot.mean_um)
    repeatability, readings_degrees = _repeatability(spots.values())
    error, degrees = _at_least_rounding(
        repeatability / math.sqrt(thin.n_readings),
        readings_degrees,
        means=1,
        n_averaged=thin.n_readings,
    )
    return _student(thin.mean_um, error, degrees)


def spots_that_count(films: Sequence[Film | None]) -> tuple[tuple[str, ...], ...]:
    """Return for each state the spots whose readings there still say what is left of the film.

    A spot that was read again counts as it was read last. Film does not grow: where the later
    reading is thicker than the earlier one by more than readings repeat, or the whole state is
    `surely_thicker`, it was another place, and both count. So do readings without a place.

    Parameters
    ----------
    films
        Of one panel's states in order; `None` for a state without readings.
    """
    counting, thicker = [], surely_thicker(films)
    for number, film in enumerate(films):
        later = [
            one.spots
            for after, one in enumerate(films)
            if after > number and one is not None and after not in thicker
        ]
        spots = {} if film is None else film.spots
        counting.append(
            tuple(
                name
                for name, spot in spots.items()
                if name == UNNAMED
                or not any(
                    name in there and there[name].mean_um <= spot.mean_um + REPEATABLE_UM
                    for there in later
                )
            )
        )
    return tuple(counting)


def surely_thicker(films: Sequence[Film | None]) -> dict[int, float]:
    """Return the states whose film reads thicker than before beyond both intervals, and how much.

    Film does not grow: other places, dirt or another gauge make it seem so.

    Parameters
    ----------
    films
        Of one panel's states in order; `None` for a state without readings.

    Returns
    -------
    dict
        By the state's index, the um over the thinnest mean of the states before.
    """
    thicker: dict[int, float] = {}
    least: Figure | None = None
    for number, film in enumerate(films):
        if film is None:
            continue
        mean = film.mean_um
        if least is not None:
            rise = mean.value - least.value
            if rise > math.hypot(mean.value - mean.low, least.high - least.value):
                thicker[number] = rise
        if least is None or mean.value < least.value:
            least = mean
    return thicker


def film_taken(
    before_um: Readings, after_um: Readings, *, repeatable_um: float = REPEATABLE_UM
) -> FilmTaken:
    """Return the film taken off between two states, with its standard error.

    Where at least two spots were read in both states, or a state has one spot alone that the
    other has too, the differences at these spots count, and the film's unevenness cancels.
    Otherwise the two means are subtracted (Welch).

    Parameters
    ----------
    before_um, after_um
        For each spot, by name, at least three readings.
    repeatable_um
        See `average_spot`.

    Raises
    ------
    UnusableFiguresError
        A state that cannot be averaged.

    References
    ----------
    Welch, Biometrika 34 (1947) 28.
    """
    before = average_film(before_um, repeatable_um=repeatable_um)
    after = average_film(after_um, repeatable_um=repeatable_um)
    common = [name for name in before.spots if name in after.spots]
    # One spot of many may not speak for the panel; where a state has no other, it has to.
    if len(common) > 1 or (common and min(before.n_spots, after.n_spots) == 1):
        taken = np.array([before.spots[s].mean_um - after.spots[s].mean_um for s in common])
        n = len(taken)
        if n > 1:
            error = float(np.std(taken, ddof=1)) / math.sqrt(n)
            error, degrees = _at_least_rounding(error, n - 1, means=2, n_averaged=n)
        else:
            error, degrees = _error_at_one_spot(before, after, common[0])
        return FilmTaken(
            mean_um=_student(float(taken.mean()), error, degrees),
            standard_error_um=error,
            paired=True,
            n_spots=n,
        )
    parts = [film.standard_error_um**2 for film in (before, after)]
    error = math.sqrt(sum(parts))
    # What one spot alone leaves open is known beforehand, as in its own interval.
    counts = [film.n_spots - 1 if film.n_spots > 1 else math.inf for film in (before, after)]
    weight = sum(part**2 / count for part, count in zip(parts, counts, strict=True))
    degrees = sum(parts) ** 2 / weight if weight > 0 else math.inf
    return FilmTaken(
        mean_um=_student(before.mean_um.value - after.mean_um.value, error, degrees),
        standard_error_um=error,
        paired=False,
        n_spots=min(before.n_spots, after.n_spots),
    )


def _error_at_one_spot(before: Film, after: Film, name: str) -> tuple[float, float]:
    """Return the standard error of the panel's film taken, from one spot, and its degrees.

    The cut there may differ from the panel's, and its readings do not repeat exactly.
    """
    repeatability, degrees = _repeatability([*before.spots.values(), *after.spots.values()])
    per_reading = sum(1 / film.spots[name].n_readings for film in (before, after))
    readings = repeatability * math.sqrt(per_reading)
    error = math.hypot(USUAL_CUT_SD_UM, readings)
    # Welch's degrees: the usual cut is known beforehand.
    return error, degrees * (error / readings) ** 4 if readings > NO_SPREAD_UM else math.inf


def _at_least_rounding(
    error: float, degrees: float, *, means: int, n_averaged: int
) -> tuple[float, float]:
    """Return a standard error and its degrees of freedom, that of rounding where none shows.

    Spots or readings that agree to the gauge's last digit do not agree exactly. An even spread
    over a step has the standard deviation step/√12.
    """
    if error > NO_SPREAD_UM:
        return error, degrees if degrees > 0 else math.inf
    return READING_STEP_UM * math.sqrt(means / 12 / n_averaged), math.inf


def average_states(
    readings_um: Sequence[Readings | None], *, repeatable_um: float = REPEATABLE_UM
) -> tuple[Film | None, ...]:
    """Average the film of one panel in several states, so that their differences are sharp.

    Where at least two spots were read in every state that has readings, the panel's mean is
    that of these spots, and its interval says how well the states compare with one another:
    residuals of spots plus states, not the film's unevenness, which all states share.

    Parameters
    ----------
    readings_um
        For each state in order, spots by name; `None` for a state without readings.
    repeatable_um
        See `average_spot`.

    Returns
    -------
    tuple
        For each state its film, or `None`.
    """
    films = [
        None if r is None else average_film(r, repeatable_um=repeatable_um) for r in readings_um
    ]
    present = [film for film in films if film is not None]
    if len(present) < 2:
        return tuple(films)
    common = [name for name in present[0].spots if all(name in film.spots for film in present)]
    if len(common) < 2:
        return tuple(films)
    table = np.array([[film.spots[name].mean_um for name in common] for film in present])
    residual = table - table.mean(axis=0) - table.mean(axis=1)[:, None] + table.mean()
    degrees = (len(present) - 1) * (len(common) - 1)
    error, shown_by = _at_least_rounding(
        math.sqrt(float(np.sum(residual**2)) / degrees / len(common)),
        degrees,
        means=1,
        n_averaged=len(common),
    )
    means = iter(table.mean(axis=1))
    return tuple(
        None
        if film is None
        else Film(
            mean_um=_student(float(next(means)), error, shown_by),
            thinnest_um=film.thinnest_um,
            standard_error_um=error,
            n_spots=film.n_spots,
            spots=film.spots,
            notes=film.notes,
        )
        for film in films
    )


def _repeatability(spots: Collection[Spot]) -> tuple[float, float]:
    """Return the pooled standard deviation of readings at one spot, and its degrees."""
    degrees = sum(spot.n_readings - 1 for spot in spots)
    total = sum((spot.n_readings - 1) * spot.sd_um**2 for spot in spots)
    return math.sqrt(total / degrees), float(degrees)


def _repeat_one_another(readings_um: Sequence[float], repeatable_um: float) -> bool:
    ordered = sorted(readings_um)
    return any(b - a <= repeatable_um for a, b in pairwise(ordered))


def _notes(spots: Mapping[str, Spot]) -> tuple[str, ...]:
    thinnest = min(spot.mean_um for spot in spots.values())
    notes = []
    if len(spots) < LEAST_SPOTS:
        notes.append(
            f"{len(spots)} spot{'s' * (len(spots) != 1)} read; the published rule asks for "
            f"{LEAST_SPOTS} an area."
        )
    for name, spot in spots.items():
        if spot.discarded_um:
            values = ", ".join(f"{value:g}" for value in spot.discarded_um)
            note = f"Spot {name}: {values} um left out, not repeated by the other readings."
            if min(spot.discarded_um) < thinnest:
                note += f" {THINNER_THAN_ALL}"
            notes.append(note)
    return tuple(notes)


def _student(value: float, error: float, degrees: float) -> Figure:
    """Return a figure with its interval by Student's t."""
    factor = float(stdtrit(degrees, 0.975)) if math.isfinite(degrees) else Z95
    return Figure(value=value, low=value - factor * error, high=value + factor * error)
