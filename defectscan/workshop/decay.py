"""How density falls with the film taken off: D = D0 exp(-u / delta), and the next pass.

Groove depths spread exponentially with mean delta leave the share exp(-u / delta) after u um are
taken off. Density and film are both measured with error, passes differ in cut, and depths are not
quite exponential; all of this is reckoned with by Bayes' rule. For each set of the three unknown
constants (log reduction of a pass, film of a pass, spread of passes that are meant to be alike)
the rest is linear and normal and is solved exactly; the three are weighed on a grid.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from defectscan.workshop.evidence import LogFigure

Floats = NDArray[Any]

GRID = (17, 7, 17)
# Of the grid, in standard deviations of what is possible.
REACH = 3.0
MOST_ROUNDS = 8
# No figure is surer than this, whatever its interval says.
LEAST_LOG_SD, LEAST_UM = 0.005, 0.01

USUAL_LOG_REDUCTION = LogFigure(middle=math.log(0.7), sd=0.8)
USUAL_FILM = LogFigure(middle=math.log(1.5), sd=0.5)
USUAL_SPREAD = LogFigure(middle=math.log(0.25), sd=0.4)


@dataclass(frozen=True, slots=True, kw_only=True)
class PassHabits:
    """What is taken to be usual of passes, before this panel has said anything.

    Common practice, without a source. Each is a logarithm's mean and standard deviation, but
    for the last two.

    Attributes
    ----------
    log_reduction
        Of the logarithm of density by one pass.
    film_um
        Film taken off by one pass.
    spread
        Relative standard deviation of the cut among passes that are meant to be alike.
    other_spread
        The same among passes that are not.
    unexplained
        What a pass changes beyond what its film explains, relative to a usual pass: depths that
        are not quite exponential, cut that is not even.
    """

    log_reduction: LogFigure = USUAL_LOG_REDUCTION
    film_um: LogFigure = USUAL_FILM
    spread: LogFigure = USUAL_SPREAD
    other_spread: float = 2.0
    unexplained: float = 0.12


HABITS = PassHabits()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Decay:
    """Draws of what the passes so far leave possible; row i of all arrays belongs together.

    Attributes
    ----------
    log_density
        Shape (n, states): logarithm of the true density of each state.
    log_reduction
        Shape (n,): by which a usual pass lowers it.
    next_log_density
        Shape (n,): after another pass like the last.
    film_um
        Shape (n, states): true film of each state; not a number without readings.
    pass_um
        Shape (n,): film that a usual pass takes off.
    next_film_um
        Shape (n,): film that another pass like the last would take off, never negative.
    removed_um
        Shape (n, states): film taken off since the first state.
    """

    log_density: Floats
    log_reduction: Floats
    next_log_density: Floats
    film_um: Floats
    pass_um: Floats
    next_film_um: Floats
    removed_um: Floats

    @property
    def depth_um(self) -> Floats:
        """Mean groove depth delta, shape (n,)."""
        return self.pass_um / self.log_reduction


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Measured:
    """What was measured: logarithms of density, and film with not-a-number for no reading."""

    log: Floats
    log_sd: Floats
    film: Floats
    film_sd: Floats
    alike: NDArray[np.bool_]

    @property
    def has_film(self) -> bool:
        """Whether at least two states have readings, so that passes show their film."""
        return int(np.isfinite(self.film).sum()) > 1


def fit_decay(
    log_density: Sequence[LogFigure],
    rng: np.random.Generator,
    *,
    film_um: Sequence[tuple[float, float] | None] | None = None,
    alike: Sequence[bool] | None = None,
    habits: PassHabits = HABITS,
    n_draws: int = 4000,
) -> Decay:
    """Draw what densities and film readings of a panel's states leave possible.

    Parameters
    ----------
    log_density
        Of the states in order, one pass between each and the next.
    rng
        Source of randomness.
    film_um
        For each state the film and its standard error, or `None` without readings.
    alike
        For each pass whether it was like the last one, which the next would be like too.
    habits
        What is usual.
    n_draws
        How many.
    """
    n = len(log_density)
    film = [None] * n if film_um is None else film_um
    measured = _Measured(
        log=np.array([one.middle for one in log_density]),
        log_sd=np.array([max(one.sd, LEAST_LOG_SD) for one in log_density]),
        film=np.array([math.nan if one is None else one[0] for one in film]),
        film_sd=np.array([math.nan if one is None else max(one[1], LEAST_UM) for one in film]),
        alike=np.ones(n - 1, dtype=bool) if alike is None else np.array(alike, dtype=bool),
    )
    axes, weight, solved = _weigh(measured, habits)
    mean, covariance = solved
    chosen = rng.choice(len(weight), size=n_draws, p=weight)
    root = np.linalg.cholesky(covariance)[chosen]
    normal = rng.normal(size=(n_draws, mean.shape[1], 1))
    latent = mean[chosen] + (root @ normal)[..., 0]
    g, spread = np.exp(axes[0][chosen]), np.exp(axes[1][chosen])
    if measured.has_film:
        m = np.exp(axes[2][chosen])
    else:
        m = np.exp(rng.normal(habits.film_um.middle, habits.film_um.sd, n_draws))
    cuts, rest = latent[:, 2 : n + 1], latent[:, n + 1 :]
    zero = np.zeros((n_draws, 1))
    cut_sum = np.hstack([zero, np.cumsum(cuts, axis=1)])
    all_sum = cut_sum + np.hstack([zero, np.cumsum(rest, axis=1)])
    logs = latent[:, :1] - g[:, None] * all_sum
    next_cut = rng.normal(1, spread)
    next_rest = rng.normal(0, habits.unexplained, n_draws)
    films = latent[:, 1:2] - m[:, None] * cut_sum
    return Decay(
        log_density=logs,
        log_reduction=g,
        next_log_density=logs[:, -1] - g * (next_cut + next_rest),
        film_um=films if np.isfinite(measured.film).any() else np.full_like(films, math.nan),
        pass_um=m,
        next_film_um=np.maximum(m * next_cut, 0),
        removed_um=m[:, None] * cut_sum,
    )


def _weigh(
    measured: _Measured, habits: PassHabits
) -> tuple[tuple[Floats, Floats, Floats], Floats, tuple[Floats, Floats]]:
    """Return the grid's points, their posterior weights, and the rest solved at each.

    The grid is moved, turned and drawn together until it fits where the weight is: film and
    density together may leave a narrow ridge that lies across the axes.
    """
    priors = (habits.log_reduction, habits.spread, habits.film_um)
    active = 3 if measured.has_film else 2
    lines = [np.linspace(-REACH, REACH, count) for count in GRID[:active]]
    steps = np.array([line[1] - line[0] for line in lines])
    cells = np.stack([axis.ravel() for axis in np.meshgrid(*lines, indexing="ij")], axis=-1)
    middle = np.array([prior.middle for prior in priors])
    prior_sd = np.array([prior.sd for prior in priors])[:active]
    centre, root = middle[:active].copy(), np.diag(prior_sd)
    for _ in range(MOST_ROUNDS):
        points = np.tile(middle, (len(cells), 1))
        points[:, :active] = centre + cells @ root.T
        log_weight, mean, covariance = _solve(measured, habits, *points.T)
        off = (points[:, :active] - middle[:active]) / prior_sd
        log_weight = log_weight - np.sum(off**2, axis=1) / 2
        weight = np.exp(log_weight - log_weight.max())
        weight /= weight.sum()
        held = weight @ cells
        spread = (cells - held).T @ (weight[:, None] * (cells - held))
        if np.linalg.norm(held) < 0.5 and np.all(np.abs(np.linalg.eigvalsh(spread) - 1) < 0.5):
            break
        centre = centre + root @ held
        # Narrower than a fraction of its cells the grid cannot tell.
        root = root @ np.linalg.cholesky(spread + np.diag(steps**2) / 6)
    return (points[:, 0], points[:, 1], points[:, 2]), weight, (mean, covariance)


def _solve(
    measured: _Measured, habits: PassHabits, g_log: Floats, spread_log: Floats, m_log: Floats
) -> tuple[Floats, Floats, Floats]:
    """Solve the linear normal part for each point of the grid, shape (p,).

    Unknowns are the first state's log density and film, the cut of each pass relative to a
    usual one, and what each pass did beyond its cut.

    Returns
    -------
    log_likelihood
        Shape (p,), up to a constant.
    mean, covariance
        Of the unknowns, shapes (p, q) and (p, q, q).
    """
    n = len(measured.log)
    q = 2 + 2 * (n - 1)
    g, spread, m = np.exp(g_log), np.exp(spread_log), np.exp(m_log)
    passes_so_far = np.tril(np.ones((n, n - 1)), -1)
    design = np.zeros((len(g), 2 * n, q))
    design[:, :n, 0] = 1
    design[:, n:, 1] = 1
    design[:, :n, 2 : n + 1] = -g[:, None, None] * passes_so_far
    design[:, :n, n + 1 :] = -g[:, None, None] * passes_so_far
    design[:, n:, 2 : n + 1] = -m[:, None, None] * passes_so_far
    read = np.isfinite(measured.film)
    film_middle = float(measured.film[read].mean()) if read.any() else 0.0
    target = np.concatenate(
        [measured.log - measured.log[0], np.where(read, measured.film - film_middle, 0)]
    )
    precision = np.concatenate(
        [1 / measured.log_sd**2, np.where(read, 1 / np.where(read, measured.film_sd, 1) ** 2, 0)]
    )
    prior_mean = np.zeros(q)
    prior_mean[2 : n + 1] = 1
    prior_precision = np.empty((len(g), q))
    prior_precision[:, 0] = 1 / 5**2
    prior_precision[:, 1] = 1 / 50**2
    prior_precision[:, 2 : n + 1] = np.where(
        measured.alike, 1 / spread[:, None] ** 2, 1 / habits.other_spread**2
    )
    prior_precision[:, n + 1 :] = 1 / habits.unexplained**2
    weighted = design * precision[:, None]
    total = design.transpose(0, 2, 1) @ weighted
    total[:, np.arange(q), np.arange(q)] += prior_precision
    right = np.einsum("poq,o->pq", weighted, target) + prior_precision * prior_mean
    covariance = np.linalg.inv(total)
    mean = np.einsum("pqr,pr->pq", covariance, right)
    log_likelihood = 0.5 * (
        np.log(prior_precision).sum(axis=1)
        - np.linalg.slogdet(total)[1]
        - prior_precision @ prior_mean**2
        + np.einsum("pq,pq->p", right, mean)
    )
    mean = mean.copy()
    mean[:, 0] += measured.log[0]
    mean[:, 1] += film_middle
    return log_likelihood, mean, covariance
