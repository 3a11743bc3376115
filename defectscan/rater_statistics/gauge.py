"""The gauge study: how much of the spread between readings is the panels', and how much is ours.

Who or what reads is called an appraiser: a person, a phone, a lamp position.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from defectscan.rater_statistics.estimate import Estimate, Result, Undefined
from defectscan.rater_statistics.reliability import sd_estimate

Floats = NDArray[Any]

N_DRAWS = 9999
# Common practice: an interaction this likely by chance is counted with the repeats.
POOL_ABOVE_P = 0.25
DISTINCT_FACTOR = 1.41
SOURCE_WITHOUT_SPREAD = "a source shows no spread, so nothing says how large it may be"


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A line of the analysis of variance.

    Attributes
    ----------
    sum_of_squares, degrees_of_freedom, mean_square
        Of the source.
    """

    sum_of_squares: float
    degrees_of_freedom: int

    @property
    def mean_square(self) -> float:
        """Sum of squares per degree of freedom."""
        return self.sum_of_squares / self.degrees_of_freedom


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeStudy:
    """Repeatability and reproducibility.

    Attributes
    ----------
    panel, appraiser, interaction, repeat
        The analysis of variance; `repeat` is within the same panel and appraiser.
    interaction_p
        How likely an interaction as large as this is by chance.
    pooled
        Whether the interaction was counted with the repeats.
    repeatability_sd, reproducibility_sd, gauge_sd, panel_sd, total_sd
        Standard deviations: of repeats; between appraisers, interaction included; of both
        together; between panels; of everything.
    gauge_percent
        Gauge in percent of the total standard deviation (%GRR).
    distinct_categories
        How many groups of panels can be told apart; cut it to a whole number to report it.
    clipped
        Sources whose variance came out below nought and was set to it.
    n_panels, n_appraisers, n_repeats, n_left_out
        What was counted, and how many panels with gaps were not.
    """

    panel: Line
    appraiser: Line
    interaction: Line
    repeat: Line
    interaction_p: float
    pooled: bool
    repeatability_sd: Estimate
    reproducibility_sd: Estimate
    gauge_sd: Estimate
    panel_sd: Estimate
    total_sd: Estimate
    gauge_percent: Result
    distinct_categories: Result
    clipped: tuple[str, ...]
    n_panels: int
    n_appraisers: int
    n_repeats: int
    n_left_out: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Components:
    """Variances, or draws of them."""

    repeat: Floats
    interaction: Floats
    appraiser: Floats
    panel: Floats

    def clipped(self) -> "_Components":
        """Return the same with nought for what is below it."""
        return _Components(
            repeat=self.repeat,
            interaction=np.maximum(self.interaction, 0),
            appraiser=np.maximum(self.appraiser, 0),
            panel=np.maximum(self.panel, 0),
        )

    @property
    def between(self) -> Floats:
        """Between appraisers, interaction included."""
        # The sum is cut, not its parts: draws about nought, each cut by itself, add up to more.
        return np.maximum(self.interaction + self.appraiser, 0)

    @property
    def gauge(self) -> Floats:
        return self.repeat + self.between


def study_gauge(
    readings: Floats, rng: np.random.Generator, *, pool_above_p: float = POOL_ABOVE_P
) -> GaugeStudy | Undefined:
    """Return repeatability and reproducibility from a crossed study with repeats.

    Two-way analysis of variance with random effects. The interval of the repeatability is exact;
    the others are generalised intervals, from draws of the mean squares. Few appraisers leave
    their spread wide open, and the intervals say so. What rests on a source without any spread
    has no interval: on a coarse scale, such as tens, that is agreement by chance as often as not.

    Parameters
    ----------
    readings
        Shape (n_panels, n_appraisers, n_repeats); panels with a nan are left out.
    rng
        Source of randomness.
    pool_above_p
        An interaction more likely by chance than this is counted with the repeats.

    References
    ----------
    Burdick, Borror and Montgomery 2003, J. Qual. Technol. 35:342; generalised intervals:
    Weerahandi 1993, J. Am. Stat. Assoc. 88:899; both from memory.
    """
    readings = np.asarray(readings, dtype=float)
    whole = ~np.isnan(readings).any(axis=(1, 2))
    n_left_out = int(np.sum(~whole))
    readings = readings[whole]
    if min(readings.shape) < 2:
        panels, appraisers, repeats = readings.shape
        return Undefined(
            reason=f"{panels} panels without a gap, {appraisers} appraisers, {repeats} readings "
            "each: at least 2 of each are needed"
        )
    if np.ptp(readings) == 0:
        return Undefined(reason="all readings are the same")
    panel, appraiser, interaction, repeat = _analyse(readings)
    interaction_p = _interaction_p(interaction, repeat)
    pooled = interaction_p > pool_above_p
    rest = Line(
        sum_of_squares=interaction.sum_of_squares + repeat.sum_of_squares,
        degrees_of_freedom=interaction.degrees_of_freedom + repeat.degrees_of_freedom,
    )
    lines = (panel, appraiser, rest) if pooled else (panel, appraiser, interaction, repeat)
    squares = [np.float64(line.mean_square) for line in lines]
    draws = [
        line.sum_of_squares / rng.chisquare(line.degrees_of_freedom, N_DRAWS) for line in lines
    ]
    raw = _components(squares, readings.shape)
    names = ("interaction", "appraiser", "panel")
    found, drawn = raw.clipped(), _components(draws, readings.shape)
    drawn = replace(drawn, panel=np.maximum(drawn.panel, 0))
    own = (appraiser, lines[-1])
    return GaugeStudy(
        panel=panel,
        appraiser=appraiser,
        interaction=interaction,
        repeat=repeat,
        interaction_p=interaction_p,
        pooled=pooled,
        repeatability_sd=sd_estimate(float(np.sqrt(found.repeat)), lines[-1].degrees_of_freedom),
        reproducibility_sd=_with_draws(
            np.sqrt(found.between), np.sqrt(drawn.between), (appraiser,)
        ),
        gauge_sd=_with_draws(np.sqrt(found.gauge), np.sqrt(drawn.gauge), own),
        panel_sd=_with_draws(np.sqrt(found.panel), np.sqrt(drawn.panel), (panel,)),
        total_sd=_with_draws(
            np.sqrt(found.gauge + found.panel), np.sqrt(drawn.gauge + drawn.panel), (*own, panel)
        ),
        gauge_percent=_gauge_percent(found, drawn, (*own, panel)),
        distinct_categories=_distinct_categories(found, drawn, (*own, panel)),
        clipped=tuple(name for name in names if getattr(raw, name) < 0),
        n_panels=readings.shape[0],
        n_appraisers=readings.shape[1],
        n_repeats=readings.shape[2],
        n_left_out=n_left_out,
    )


def _analyse(readings: Floats) -> tuple[Line, Line, Line, Line]:
    """Return panel, appraiser, interaction and repeat of the analysis of variance."""
    p, a, r = readings.shape
    centred = readings - readings.mean()
    cells = centred.mean(axis=2)
    panels, appraisers = cells.mean(axis=1), cells.mean(axis=0)
    sums = (
        a * r * np.sum(panels**2),
        p * r * np.sum(appraisers**2),
        r * np.sum((cells - panels[:, None] - appraisers) ** 2),
        np.sum((centred - cells[:, :, None]) ** 2),
    )
    freedoms = (p - 1, a - 1, (p - 1) * (a - 1), p * a * (r - 1))
    least = 1e-20 * np.sum(centred**2)
    panel, appraiser, interaction, repeat = (
        # What is left of a difference that cancels is no spread.
        Line(sum_of_squares=float(s) if s > least else 0.0, degrees_of_freedom=f)
        for s, f in zip(sums, freedoms, strict=True)
    )
    return panel, appraiser, interaction, repeat


def _interaction_p(interaction: Line, repeat: Line) -> float:
    if interaction.sum_of_squares == 0:
        return 1.0
    if repeat.sum_of_squares == 0:
        return 0.0
    ratio = interaction.mean_square / repeat.mean_square
    return float(stats.f.sf(ratio, interaction.degrees_of_freedom, repeat.degrees_of_freedom))


def _components(mean_squares: list[Any], shape: tuple[int, ...]) -> _Components:
    """Return the variances that belong to mean squares; three of those: no interaction."""
    panels, appraisers, repeats = shape
    panel, appraiser, interaction = mean_squares[:3]
    repeat = mean_squares[-1]
    return _Components(
        repeat=repeat,
        interaction=(interaction - repeat) / repeats,
        appraiser=(appraiser - interaction) / (panels * repeats),
        panel=(panel - interaction) / (appraisers * repeats),
    )


def _gauge_percent(found: _Components, drawn: _Components, lines: tuple[Line, ...]) -> Result:
    if found.gauge + found.panel == 0:
        return Undefined(reason="all variances came out as nought")
    return _with_draws(
        100 * np.sqrt(found.gauge / (found.gauge + found.panel)),
        100 * np.sqrt(drawn.gauge / (drawn.gauge + drawn.panel)),
        lines,
    )


def _distinct_categories(found: _Components, drawn: _Components, lines: tuple[Line, ...]) -> Result:
    if found.gauge == 0:
        return Undefined(reason="repeats and appraisers do not differ at all")
    return _with_draws(
        DISTINCT_FACTOR * np.sqrt(found.panel / found.gauge),
        DISTINCT_FACTOR * np.sqrt(drawn.panel / drawn.gauge),
        lines,
    )


def _with_draws(value: Floats, draws: Floats, lines: tuple[Line, ...]) -> Estimate:
    """Return a value with the interval of its draws, where all lines it rests on show a spread."""
    number = float(value)
    if any(line.sum_of_squares == 0 for line in lines):
        return Estimate(value=number, low=None, high=None, caution=SOURCE_WITHOUT_SPREAD)
    low, high = np.quantile(draws, [0.025, 0.975])
    return Estimate(value=number, low=min(float(low), number), high=max(float(high), number))
