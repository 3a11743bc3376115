"""How a panel's picture moves from one shot to another: the model and its fit."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from defectscan.imaging.landmarks import Floats

# Standard deviations of shift (2), log scale, turn, stretch (2), perspective (2), bend (6), in
# units of half the longer side. A camera held by hand twice over the same panel stays inside.
_FREE = (0.25, 0.25, 0.10, 0.10)
_RIGID = (0.0005, 0.0005, 0.001, 0.001)
_OBLIQUE = (0.005, 0.005, 0.012, 0.012)
_NO_BEND = (1e-6,) * 6
RIGID = np.array(_FREE + _RIGID + _NO_BEND)
FLAT = np.array(_FREE + _OBLIQUE + _NO_BEND)
CURVED = np.array(_FREE + _OBLIQUE + (0.008,) * 6)
# What is left to find after a vote of specks.
VOTED = np.array((0.012, 0.012, 0.015, 0.012, 0.003, 0.003, 0.008, 0.008, *_NO_BEND))

_N_PARAMETERS = 14
_BEND = slice(8, 14)
STRAIGHT = 1e-5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PanelMotion:
    """A map from after to before in units of half the longer side.

    y = A x / (1 + g·x) + t + B (x₁², x₁x₂, x₂²), with A = e^s R(θ + turn) (1 + stretch).

    Parameters
    ----------
    parameters
        t (2), s, θ, stretch (2), g (2), B (6).
    covariance
        Of the parameters, shape (14, 14).
    quarter_turns
        By how many quarter turns the camera was turned.
    """

    parameters: Floats
    covariance: Floats
    quarter_turns: int = 0

    @property
    def homography(self) -> Floats:
        """Give the map without its bend as a matrix."""
        p = self.parameters
        inner = self._linear() + np.outer(p[:2], p[6:8])
        return np.block([[inner, p[:2, None]], [p[None, 6:8], np.ones((1, 1))]])

    @property
    def bend(self) -> Floats:
        """Give B, shape (2, 3)."""
        return self.parameters[_BEND].reshape(2, 3)

    @property
    def is_bent(self) -> bool:
        """Say whether the map bends straight lines."""
        return bool(np.abs(self.bend).max() > STRAIGHT)

    def forth(self, x: Floats) -> Floats:
        """Map after to before, shape (n, 2)."""
        p = self.parameters
        straight = x @ self._linear().T / (1 + x @ p[6:8])[:, None] + p[:2]
        return straight + quadratic(x) @ self.bend.T

    def back(self, y: Floats) -> Floats:
        """Map before to after, shape (n, 2)."""
        inverse = np.asarray(np.linalg.inv(self.homography), dtype=np.float64)
        x = project(inverse, y)
        for _ in range(2 if self.is_bent else 0):
            x = project(inverse, y - quadratic(x) @ self.bend.T)
        return x

    def derivatives(self, x: Floats) -> Floats:
        """Give the derivatives of `forth` by the parameters, shape (n, 2, 14)."""
        p = self.parameters
        bottom = (1 + x @ p[6:8])[:, None]
        moved = x @ self._linear().T / bottom
        turned = np.exp(p[2]) * self._rotation() / bottom[..., None]
        wide = np.zeros((len(x), 2, _N_PARAMETERS))
        wide[:, 0, 0] = wide[:, 1, 1] = 1
        wide[:, :, 2] = moved
        wide[:, :, 3] = np.stack([-moved[:, 1], moved[:, 0]], axis=-1)
        wide[:, :, 4] = np.einsum("nij,nj->ni", turned, x * (1, -1))
        wide[:, :, 5] = np.einsum("nij,nj->ni", turned, x[:, ::-1])
        wide[:, :, 6] = -moved * x[:, :1] / bottom
        wide[:, :, 7] = -moved * x[:, 1:] / bottom
        wide[:, 0, 8:11] = wide[:, 1, 11:] = quadratic(x)
        return wide

    def spread(self, x: Floats) -> Floats:
        """Give the covariance of `forth`, shape (n, 2, 2)."""
        wide = self.derivatives(x)
        spread: Floats = wide @ self.covariance @ wide.transpose(0, 2, 1)
        return spread

    def bend_significance(self) -> float:
        """Give the chi-square of the bend, which on a flat panel has 6 degrees of freedom."""
        bend = self.parameters[_BEND]
        return float(bend @ np.linalg.solve(self.covariance[_BEND, _BEND], bend))

    def _rotation(self) -> Floats:
        angle = self.parameters[3] + self.quarter_turns * np.pi / 2
        return np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])

    def _linear(self) -> Floats:
        a, b = self.parameters[4:6]
        stretch = np.array([[1 + a, b], [b, 1 - a]])
        linear: Floats = np.exp(self.parameters[2]) * self._rotation() @ stretch
        return linear


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Links:
    """Pairs of places, one in each shot, that should be the same spot of the panel.

    Parameters
    ----------
    after, before
        Shape (n, 2), units of half the longer side.
    normal
        Shape (n, 2): the direction, in before, across which the pair says something.
    deviation
        Shape (n,): standard deviation.
    is_point
        Shape (n,): whether the pair says something in both directions.
    """

    after: Floats
    before: Floats
    normal: Floats
    deviation: Floats
    is_point: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.deviation)


def no_links() -> Links:
    """Return no links."""
    none = np.empty((0, 2))
    return Links(
        after=none, before=none, normal=none, deviation=np.empty(0), is_point=np.empty(0, bool)
    )


def join(*parts: Links) -> Links:
    """Return the links of all parts together."""
    names = Links.__dataclass_fields__
    return Links(**{name: np.concatenate([getattr(p, name) for p in parts]) for name in names})


def quadratic(x: Floats) -> Floats:
    """Return x₁², x₁x₂, x₂²."""
    return np.stack([x[:, 0] ** 2, x[:, 0] * x[:, 1], x[:, 1] ** 2], axis=-1)


def project(homography: Floats, x: Floats) -> Floats:
    """Map points, shape (n, 2), by a homography."""
    y = x @ homography[:, :2].T + homography[:, 2]
    mapped: Floats = y[:, :2] / y[:, 2:]
    return mapped


def start(quarter_turns: int = 0) -> PanelMotion:
    """Return the motion that is expected before anything is seen."""
    return PanelMotion(
        parameters=np.zeros(_N_PARAMETERS),
        covariance=np.diag(FLAT**2),
        quarter_turns=quarter_turns,
    )


def from_homography(homography: Floats) -> PanelMotion:
    """Return the motion of a homography in units, known about as well as by a vote."""
    matrix = homography / homography[2, 2]
    shift, slant = matrix[:2, 2], matrix[2, :2]
    linear = matrix[:2, :2] - np.outer(shift, slant)
    angle = np.arctan2(linear[1, 0] - linear[0, 1], linear[0, 0] + linear[1, 1])
    turns = round(angle / (np.pi / 2))
    unturned = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]]) @ linear
    scale = (unturned[0, 0] + unturned[1, 1]) / 2
    stretch = (unturned[0, 0] - unturned[1, 1]) / 2 / scale, unturned[0, 1] / scale
    parameters = np.array(
        [*shift, np.log(scale), angle - turns * np.pi / 2, *stretch, *slant, *_NO_BEND]
    )
    parameters[_BEND] = 0
    return PanelMotion(parameters=parameters, covariance=np.diag(VOTED**2), quarter_turns=turns % 4)


def residuals(motion: PanelMotion, links: Links) -> Floats:
    """Return how far before lies from the mapped after: across and along, shape (n, 2)."""
    miss = motion.forth(links.after) - links.before
    across = np.sum(miss * links.normal, axis=-1)
    along = miss[:, 1] * links.normal[:, 0] - miss[:, 0] * links.normal[:, 1]
    return np.stack([across, along * links.is_point], axis=-1)


def fit(
    motion: PanelMotion, links: Links, *, tolerance: float, expected: Floats, rounds: int = 8
) -> PanelMotion:
    """Fit the motion to links, some of them false, with its expected size.

    Gauss-Newton with weights that fall off as (1 + (r/tolerance)²)⁻², Geman and McClure's.

    Parameters
    ----------
    motion
        Where to start.
    links
        What to fit.
    tolerance
        Residual from which a link counts little.
    expected
        Standard deviation of each parameter about 0, shape (14,).
    rounds
        At most so many steps.
    """
    prior = np.diag(1 / expected**2)
    for _ in range(rounds):
        miss = residuals(motion, links)
        rows = _rows(motion, links)
        weight = np.repeat(_weights(miss, links, tolerance), 2)
        flat_rows = rows.reshape(-1, _N_PARAMETERS)
        weighted = flat_rows * weight[:, None]
        information = weighted.T @ flat_rows + prior
        change = np.linalg.solve(information, weighted.T @ miss.ravel() + prior @ motion.parameters)
        motion = replace(
            motion,
            parameters=motion.parameters - change,
            covariance=np.asarray(np.linalg.inv(information), dtype=np.float64),
        )
        if np.abs(change / expected)[:8].max() < 1e-4:
            break
    return motion


def held_out(
    motion: PanelMotion, links: Links, *, tolerance: float, group: NDArray[np.int64]
) -> Floats:
    """Return how far each group of links lies from where all the others put it.

    The fit is not repeated: the leverage of a group says what it would be without it.

    References
    ----------
    R. D. Cook and S. Weisberg, Residuals and Influence in Regression (1982), from memory.
    """
    miss = residuals(motion, links)
    rows = _rows(motion, links)
    weight = _weights(miss, links, tolerance)
    n_groups = int(group.max(initial=-1)) + 1
    total = np.bincount(group, weight, n_groups) + 1e-12
    mean_miss = np.zeros((n_groups, 2))
    np.add.at(mean_miss, group, weight[:, None] * miss)
    mean_row = np.zeros((n_groups, 2, _N_PARAMETERS))
    np.add.at(mean_row, group, weight[:, None, None] * rows)
    mean_miss /= total[:, None]
    mean_row /= total[:, None, None]
    leverage = mean_row @ motion.covariance @ mean_row.transpose(0, 2, 1) * total[:, None, None]
    rest = np.eye(2) - leverage
    for side in (0, 1):  # what only this group holds cannot be foretold by the others
        rest[:, side, side] = np.maximum(rest[:, side, side], 0.02)
    without = np.linalg.solve(rest, mean_miss[..., None])[..., 0]
    distance: Floats = np.hypot(without[:, 0], without[:, 1])
    return distance


def _rows(motion: PanelMotion, links: Links) -> Floats:
    """Return the derivatives of the residuals, shape (n, 2, 14)."""
    wide = motion.derivatives(links.after)
    along = np.stack([-links.normal[:, 1], links.normal[:, 0]], axis=-1)
    directions = np.stack([links.normal, along * links.is_point[:, None]], axis=1)
    return directions @ wide


def _weights(miss: Floats, links: Links, tolerance: float) -> Floats:
    weights: Floats = (1 + np.sum(miss**2, axis=-1) / tolerance**2) ** -2 / links.deviation**2
    return weights
