"""How grooves drop out with the needed tilt, learnt from the places of the glints."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from defectscan.measurement.window import WINDOW_SHARE, Shot, passage_of, slope_along, zone_grid

# In longer sides of the picture, of a flat panel.
USUAL_THINNING = 1.6
THINNING_SPREAD = 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Thinning:
    """How grooves drop out with the needed tilt, for want of walls so steep.

    Attributes
    ----------
    longer_sides
        The needed tilt by which 63 % of the grooves have dropped out, in longer sides of the
        picture, as photos may be of different sizes; infinity for none.
    spread
        Relative standard deviation that its uncertainty leaves in a density.
    """

    longer_sides: float
    spread: float


NO_THINNING = Thinning(longer_sides=np.inf, spread=0.0)


def fit_thinning(shots: Sequence[Shot]) -> Thinning:
    """Learn from the places of glints how grooves drop out with the needed tilt.

    A groove whose walls are less steep than the needed tilt does not glint. Spread walls let
    the density seem to fall as exp(-(s/s1)²). The most likely s1 for the places of the glints
    is taken, with what is usual for panels that fill the frame as a prior.

    Parameters
    ----------
    shots
        Of one panel, in any states.
    """
    rungs = np.geomspace(0.25, 8, 41)
    usual = USUAL_THINNING * shots[0].glint.flatness
    log_likelihood = -((np.log(rungs / usual)) ** 2) / (2 * THINNING_SPREAD**2)
    log_seen, n_glints = np.zeros(len(rungs)), 0.0
    for shot in shots:
        glint, lines = shot.glint, shot.lines
        reach = WINDOW_SHARE * glint.reach_px
        if not (lines.n and np.isfinite(reach)):
            continue
        tilt = glint.tilt(lines.xy_px)
        passage, _ = passage_of(glint, lines, np.sum(tilt * lines.tangent, axis=-1), reach)
        glints = lines.total(passage) / (2 * reach)
        place = lines.total(np.linalg.norm(tilt, axis=-1)) / lines.total(np.ones(len(lines.line)))
        grid, grid_tilt = zone_grid(shot)
        size = np.linalg.norm(grid_tilt, axis=-1)
        # Beside the ring's direction every other is out of the window far off, so the exposure
        # of a place to glints goes with the rate of u over the tilt.
        along = np.stack([-grid_tilt[:, 1], grid_tilt[:, 0]], axis=-1) / size[:, None]
        rate = np.abs(np.sum(slope_along(glint, grid, along) * along, axis=-1))
        exposure = glint.acceptance(size, reach_px=reach) * rate
        for index, rung in enumerate(rungs * max(shot.zone.shape)):
            seen = float(exposure @ np.exp(-((size / rung) ** 2)))
            log_likelihood[index] -= glints @ (place / rung) ** 2 + glints.sum() * np.log(seen)
            log_seen[index] += np.log(seen) * glints.sum()
        n_glints += float(glints.sum())
    weight = np.exp(log_likelihood - log_likelihood.max())
    weight /= weight.sum()
    log_seen /= max(n_glints, 1e-9)
    # The mean of 1/s1² is what enters the exposure, so that is averaged.
    return Thinning(
        longer_sides=1 / float(np.sqrt(weight @ rungs**-2.0)),
        spread=float(np.sqrt(weight @ (log_seen - weight @ log_seen) ** 2)),
    )
