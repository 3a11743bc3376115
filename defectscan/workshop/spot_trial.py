"""From test spots in the job book to what they say side by side."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from defectscan.version import __version__
from defectscan.workshop.book_view import (
    PanelView,
    StateView,
    SurfaceView,
    TestSpotView,
    again_command,
    chosen,
)
from defectscan.workshop.comparable import unlike_scales
from defectscan.workshop.evidence import UnusableFiguresError
from defectscan.workshop.film import film_taken
from defectscan.workshop.limits_file import limits_record
from defectscan.workshop.outlook import WorkshopLimits
from defectscan.workshop.spots import (
    FEWEST,
    MOST,
    Combination,
    SpotComparison,
    compare_spots,
)
from defectscan.workshop.stored_figures import (
    check_alike,
    correction_figure,
    current_comparison,
    film_readings,
    line_density,
    made_by,
    n_withdrawn,
    reckoned_correction,
    score_of,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SpotTrial:
    """Test spots compared, with what was done on each.

    Attributes
    ----------
    panel
        That they are on.
    comparison
        What they say.
    done
        By spot: machine, pad and polish of its passes.
    limits
        The workshop's.
    notes
        All that is worth knowing beside the figures.
    """

    panel: PanelView
    comparison: SpotComparison
    done: dict[str, str]
    limits: WorkshopLimits
    notes: tuple[str, ...]


class _LeftOutError(Exception):
    """Say why a spot has no correction."""


def spots_in_order(panel: PanelView, names: Sequence[str]) -> tuple[TestSpotView, ...]:
    """Return test spots from the gentlest to the strongest, as far as anybody said.

    Parameters
    ----------
    panel
        As it stands.
    names
        Spots in the user's own order; all in the order kept, then as entered, where empty.

    Raises
    ------
    BookError
        If a name is no spot's.
    """
    if not names:
        kept = [spot.entry.content.gentleness for spot in panel.test_spots]
        order = sorted(range(len(kept)), key=lambda i: math.inf if (k := kept[i]) is None else k)
        return tuple(panel.test_spots[i] for i in order)
    there = [spot.entry.content.name for spot in panel.test_spots]
    remedy = f"enter its photos with `job shots PHOTO... {panel.surface.options} --spot NAME`"
    return tuple(
        panel.test_spots[chosen(there, name, what="test spot", remedy=remedy)] for name in names
    )


def compare_test_spots(
    panel: PanelView,
    spots: Sequence[TestSpotView],
    limits: WorkshopLimits,
    *,
    order_named: bool = False,
) -> SpotTrial:
    """Set test spots of the job book side by side.

    Parameters
    ----------
    panel
        That they are on.
    spots
        From the gentlest to the strongest, as far as that is known.
    limits
        The workshop's; of them the target counts here.
    order_named
        Whether the order is the user's own. If not, it is one that the book keeps for all spots
        that are compared. Without either, and without film readings of all, none of several that
        reach the target is called the gentlest.

    Raises
    ------
    UnusableFiguresError
        If too few can be compared, or their results are unlike.
    """
    squares, left_out, notes = [], [], []
    order_kept = True
    ends: list[tuple[str, StateView]] = []
    for spot in spots:
        name = spot.entry.content.name
        try:
            before, after = _ends(spot.surface)
            square, remarks = _square(name, spot.surface, before, after)
        except _LeftOutError as why:
            left_out.append(f"{name} is left out: {why}")
            continue
        squares.append(square)
        order_kept &= spot.entry.content.gentleness is not None
        notes += remarks
        ends.extend((f"{name} {state.name}", state) for state in (before, after))
    if len(squares) < FEWEST:
        reasons = f" ({'; '.join(left_out)})" if left_out else ""
        raise UnusableFiguresError(
            f"{len(squares)} test spot(s) of {panel.name} can be compared{reasons}",
            allowed=f"{FEWEST} to {MOST}, each measured before and after its passes",
            remedy="enter what is missing with `job shots` and `job pass`, each with "
            f"`{panel.surface.options} --spot NAME`",
        )
    check_alike(panel.name, ends)
    comparison = compare_spots(
        squares,
        limits=limits,
        material=panel.entry.content.material.value,
        ordered=order_named or order_kept,
    )
    return SpotTrial(
        panel=panel,
        comparison=comparison,
        done={spot.entry.content.name: _done(spot.surface) for spot in spots},
        limits=limits,
        notes=(*(f"{why}." for why in left_out), *notes, *comparison.notes),
    )


def spots_record(trial: SpotTrial, *, job_number: int) -> dict[str, Any]:
    """Return the figures for JSON."""
    comparison = trial.comparison
    limits = limits_record(trial.limits)
    return {
        "format": "defectscan.test_spots/1",
        "version": __version__,
        "job": job_number,
        "panel": trial.panel.name,
        "material": trial.panel.entry.content.material,
        "answer": comparison.answer,
        "recommended": comparison.recommended or None,
        "reason": comparison.reason,
        "ranking": comparison.ranking,
        "done": trial.done,
        "differences": comparison.differences,
        "gentle_by": comparison.gentle_by,
        "notes": trial.notes,
        "cautions": comparison.cautions,
        "assumptions": comparison.assumptions,
        "limits": {name: limits[name] for name in limits if name.startswith("target")},
    }


def _ends(surface: SurfaceView) -> tuple[StateView, StateView]:
    """Return the states before the first pass and after the last."""
    if not surface.passes:
        raise _LeftOutError("no pass is entered on it")
    measured = {state.n_passes: state for state in surface.states if state.score is not None}
    for number, when in ((0, "before its first pass"), (len(surface.passes), "after its last")):
        if number not in measured:
            raise _LeftOutError(f"it is not measured {when}")
    return measured[0], measured[len(surface.passes)]


def _square(
    name: str, surface: SurfaceView, before: StateView, after: StateView
) -> tuple[Combination, list[str]]:
    compared = current_comparison(before, after)
    densities = line_density(score_of(before)), line_density(score_of(after))
    notes = []
    if compared is not None:
        correction = correction_figure(compared.record)
    else:
        if densities[0] is None or densities[1] is None:
            raise _LeftOutError("its states were not compared, and their scale is not known")
        correction = reckoned_correction(name, score_of(before), score_of(after))
        notes.append(
            f"{name}: its states were not compared line by line as they were last measured; the "
            "correction is reckoned from the two densities. "
            f"{unlike_scales(score_of(before), score_of(after))}".rstrip()
        )
    if correction is None:
        raise _LeftOutError("its correction is undefined, too few lines were there before")
    readings = []
    for state in (before, after):
        kept, left_out = film_readings(surface, state.n_passes)
        readings.append(kept)
        notes += [f"{name}, {state.name}: {note}" for note in left_out]
        if gone := n_withdrawn(state):
            notes.append(
                f"{name}, {state.name}: {gone} photo(s) in the figures were withdrawn since; "
                f"measure it again with {again_command(state)}."
            )
    first, last = readings
    square = Combination(
        name=name,
        correction_percent=correction,
        density_after_mm_per_cm2=densities[1],
        film_um=film_taken(first, last).mean_um if first and last else None,
        shots=len(score_of(after).sha256s) or 1,
    )
    return square, notes


def _done(surface: SurfaceView) -> str:
    return "; then ".join(made_by(entry.content) or "not said" for entry in surface.passes)
