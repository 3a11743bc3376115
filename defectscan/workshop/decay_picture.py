"""Plain data for a picture of density against film taken off; it is drawn elsewhere."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from defectscan.workshop.evidence import Figure
from defectscan.workshop.outlook import Outlook, PanelState, as_figure

Floats = NDArray[Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """A state in the picture.

    Attributes
    ----------
    name
        Of the state.
    along
        Film taken off so far, or the number of passes since the first measured state.
    density_mm_per_cm2
        As measured; for the next pass, as predicted.
    """

    name: str
    along: Figure
    density_mm_per_cm2: Figure


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DecayPicture:
    """Plain data for a picture of density against film taken off.

    Attributes
    ----------
    along
        What the horizontal axis shows: "film taken off, um", or "passes" without film.
    at, curve, low, high
        Shape (n,): the fitted curve and its 95 % band, mm/cm2, at places along the axis, from
        the first measured state on.
    points
        The states that were measured.
    predicted
        After another pass like the last; `None` where nothing is foretold, as before the first
        pass.
    target_mm_per_cm2
        The target; `None` where it is not known.
    most_um
        Film that may be taken off before reserve or largest removal is reached, from the first
        state on; `None` where it is not known.
    """

    along: str
    at: Floats
    curve: Floats
    low: Floats
    high: Floats
    points: tuple[Point, ...]
    predicted: Point | None
    target_mm_per_cm2: Figure | None
    most_um: Figure | None


def draw_picture(states: Sequence[PanelState], outlook: Outlook) -> DecayPicture:
    """Return the data of a picture of density against film taken off, or against passes.

    Parameters
    ----------
    states
        As given to `look_ahead`.
    outlook
        From it.
    """
    decay, n, first = outlook.decay, outlook.n_passes, outlook.first_measured
    if outlook.cut_known:
        along, removed = "film taken off, um", decay.removed_um
        rate, next_along = 1 / decay.depth_um, removed[:, -1] + decay.next_film_um
        most = Figure.of_draws(outlook.removed_um + outlook.budget_um)
        far = max(most.value, float(np.median(next_along)))
    else:
        passes = np.arange(-first, n + 1.0)
        along, removed = "passes", np.tile(passes, (len(decay.log_reduction), 1))
        rate, next_along, most = decay.log_reduction, removed[:, -1] + 1, None
        far = n + 1.0
    start = removed[:, first, None]
    at = np.linspace(max(float(np.median(start)), 0.0), 1.05 * far, 61)
    curves = np.exp(decay.log_density[:, first, None] - rate[:, None] * (at - start))
    low, middle, high = np.quantile(curves, [0.025, 0.5, 0.975], axis=0)
    predicted = None
    if n and not outlook.risen_over:
        predicted = Point(
            name="another pass like the last",
            along=Figure.of_draws(next_along),
            density_mm_per_cm2=Figure.of_draws(np.exp(decay.next_log_density)),
        )
    return DecayPicture(
        along=along,
        at=at,
        curve=middle,
        low=low,
        high=high,
        points=tuple(
            Point(
                name=state.name,
                along=Figure.of_draws(removed[:, number]),
                density_mm_per_cm2=as_figure(state.density_mm_per_cm2),
            )
            for number, state in enumerate(states)
            if state.measured
        ),
        predicted=predicted,
        target_mm_per_cm2=Figure.of_draws(np.exp(outlook.log_target))
        if outlook.target_known
        else None,
        most_um=most,
    )
