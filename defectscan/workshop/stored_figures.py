"""Read figures back from the records that the job book keeps."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from defectscan.workshop.book_entries import Pass, Result
from defectscan.workshop.book_view import StateView, SurfaceView, again_command
from defectscan.workshop.comparable import incomparable, measured_alike
from defectscan.workshop.evidence import (
    Figure,
    UnusableFiguresError,
    correction_between,
    digits,
    log_density,
)
from defectscan.workshop.film import THINNER_THAN_ALL, UNNAMED, average_film, average_spot


def score_of(state: StateView) -> Result:
    """Return the score of a state that has one."""
    if state.score is None:
        raise ValueError(f"{state.name} has no score")
    return state.score.content


def n_withdrawn(state: StateView) -> int:
    """Count the photos in a state's score that were withdrawn since it was measured."""
    return len(state.withdrawn_sha256s.intersection(score_of(state).sha256s))


def check_alike(what: str, states: Sequence[tuple[str, StateView]]) -> None:
    """Raise unless the scores of states, each with its name, can be reckoned together.

    Raises
    ------
    UnusableFiguresError
        Otherwise.
    """
    (name, reference), *others = states
    for other, state in others:
        reasons = incomparable(score_of(reference), score_of(state))
        if reasons:
            said = " ".join(reasons).rstrip(".")
            raise UnusableFiguresError(
                f"{name} and {other} of {what} cannot be compared: {said}",
                allowed="figures of one kind are reckoned together",
                remedy="measure both again, in the same way and each with its scale "
                f"(--mm-per-px), with {again_command(reference)}, then {again_command(state)}",
            )


def line_density(score: Result) -> Figure | None:
    """Return the density of all lines but deep scratches, mm/cm2; `None` without a scale."""
    total = figure(score.record.get("line_density_mm_per_cm2"))
    if total is None:
        return None
    scratch = figure((score.record.get("kinds") or {}).get("deep_scratch"))
    # A deep scratch adds the same to the value and to both ends of the interval.
    deep = 0.0 if scratch is None else scratch.value
    value, low, high = (max(each - deep, 0.0) for each in (total.value, total.low, total.high))
    return Figure(value=value, low=low, high=high)


def is_under_limit(score: Result) -> bool:
    """Tell whether a state's lines are no more than its photos can tell from nothing."""
    density, limit = line_density(score), score.record.get("detection_limit_mm_per_cm2")
    return density is not None and density.value <= (limit or 0.0)


def current_comparison(before: StateView, after: StateView) -> Result | None:
    """Return the comparison of two states that rests on what they were last measured from.

    It was measured from the photos of their scores, with the same scales.
    """
    first, last = score_of(before), score_of(after)
    for entry in after.comparisons:
        result = entry.content
        if (
            result.before_state_id == before.entry.thing_id
            and result.version == last.version
            and result.sha256s == (*first.sha256s, *last.sha256s)
            and all(measured_alike(score, result) for score in (first, last))
        ):
            return result
    return None


def correction_figure(record: Mapping[str, Any]) -> Figure | None:
    """Return the correction of a stored comparison; with a lower limit alone, "at least"."""
    found = figure(record.get("correction_percent"))
    if found is not None and record.get("correction_is_at_least"):
        return replace(found, high=100.0, at_least=True)
    return found


def reckoned_correction(name: str, before: Result, after: Result) -> Figure | None:
    """Return the correction between two states of a surface that were not compared.

    It is reckoned from their densities; `None` where the density before is under its detection
    limit, and "at least" where the one after is.

    Raises
    ------
    UnusableFiguresError
        If a scale is not known, or a figure is none.
    """
    densities = line_density(before), line_density(after)
    if densities[0] is None or densities[1] is None:
        raise UnusableFiguresError(
            f"two states of {name} were not compared, and their scale is not known",
            allowed="a correction is reckoned from densities in mm of line per cm2",
            remedy="give both their scale, and measure them again",
        )
    if is_under_limit(before):
        return None
    found = correction_between(
        log_density(densities[0], f"{name} before"), log_density(densities[1], f"{name} after")
    )
    if not is_under_limit(after):
        return found
    # Nothing bounds it from above: what is left may be nothing.
    value = 100 * (1 - densities[1].value / densities[0].value)
    return replace(found, value=value, high=100.0, at_least=True)


def readings_by_spot(surface: SurfaceView, n_passes: int) -> dict[str, list[float]]:
    """Return all film readings after so many passes, um, by spot.

    Names that differ in capitals or spaces about them are one spot, in all states called as it
    was first entered.
    """
    spots: dict[str, list[float]] = {}
    called = {UNNAMED: UNNAMED}
    for entry in surface.film:
        reading = entry.content
        place = reading.spot.strip() or UNNAMED
        name = called.setdefault(place.casefold(), place)
        if surface.n_passes(reading.after_pass_id) == n_passes:
            spots.setdefault(name, []).append(reading.film_um)
    return spots


def film_readings(
    surface: SurfaceView, n_passes: int
) -> tuple[dict[str, list[float]] | None, list[str]]:
    """Return the readings after so many passes by spot, and notes on spots that do not count."""
    spots = readings_by_spot(surface, n_passes)
    left_out = _why_left_out(spots)
    kept = {name: values for name, values in spots.items() if name not in left_out}
    thinnest = average_film(kept).thinnest_um.value if kept else math.inf
    notes = []
    for name, why in left_out.items():
        listed = ", ".join(digits(value) for value in spots[name])
        note = f"film at spot {name} ({listed} um) is left out: {why}."
        if not kept:
            note += " No other spot counts: read it again before any pass."
        elif min(spots[name]) < thinnest:
            note += f" {THINNER_THAN_ALL}"
        notes.append(note)
    return kept or None, notes


def unsettled_film(surface: SurfaceView, n_passes: int) -> dict[str, float]:
    """Return the least reading after so many passes, um, of each spot that does not count."""
    spots = readings_by_spot(surface, n_passes)
    return {name: min(spots[name]) for name in _why_left_out(spots)}


def _why_left_out(spots: Mapping[str, Sequence[float]]) -> dict[str, str]:
    """Return by name the spots whose readings are too few or disagree, and what is wrong."""
    reasons = {}
    for name, values in spots.items():
        try:
            average_spot(values)
        except UnusableFiguresError as error:
            reasons[name] = error.what
    return reasons


def figure(told: Mapping[str, Any] | None) -> Figure | None:
    """Return a figure of a stored record; `None` where a part of it is not known."""
    parts = [(told or {}).get(name) for name in ("value", "low", "high")]
    if any(not isinstance(part, (int, float)) or not math.isfinite(part) for part in parts):
        return None
    value, low, high = (float(part) for part in parts if part is not None)
    return Figure(value=value, low=low, high=high)


def made_by(one: Pass) -> str:
    """Say with what a pass was made."""
    return ", ".join(part.strip() for part in (one.machine, one.pad, one.polish) if part.strip())
