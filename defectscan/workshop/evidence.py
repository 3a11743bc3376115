"""How sure a figure is, and how many more shots would settle a question."""

import math
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from defectscan.errors import DefectscanError

Floats = NDArray[Any]

Z95 = 1.959964
# Part of a density's relative error that no further shot of the same kind mends.
LASTING_SD = 0.05
MOST_SHOTS = 20


class UnusableFiguresError(DefectscanError):
    """The figures given cannot be reckoned with."""


class Bounded(Protocol):
    """Anything with a value and its 95 % interval."""

    @property
    def value(self) -> float:
        """The value."""

    @property
    def low(self) -> float:
        """Lower limit."""

    @property
    def high(self) -> float:
        """Upper limit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A figure with its 95 % interval.

    Attributes
    ----------
    value, low, high
        In the unit of the quantity.
    at_least
        Whether the lower limit alone is known, as of a correction that left too few lines to
        tell them from none.
    """

    value: float
    low: float
    high: float
    at_least: bool = False

    @classmethod
    def of_draws(cls, draws: Floats) -> "Figure":
        """Return the median of draws, shape (n,), with the middle 95 % of them."""
        low, value, high = np.quantile(draws, [0.025, 0.5, 0.975])
        return cls(value=float(value), low=float(low), high=float(high))

    @classmethod
    def about(cls, value: float, standard_error: float) -> "Figure":
        """Return a normal figure with its interval."""
        reach = Z95 * standard_error
        return cls(value=value, low=value - reach, high=value + reach)


@dataclass(frozen=True, slots=True, kw_only=True)
class LogFigure:
    """The natural logarithm of a figure, taken as normal.

    Attributes
    ----------
    middle, sd
        Mean and standard deviation.
    upper_sd
        Of the upper side, where nothing bounds the figure from below and `sd` stands in for both
        sides; `None` where they are alike.
    """

    middle: float
    sd: float
    upper_sd: float | None = None

    def sd_towards(self, other: float) -> float:
        """Return the standard deviation on the side of another logarithm; infinite where open."""
        if self.upper_sd is None:
            return self.sd
        return self.upper_sd if other > self.middle else math.inf


def check_interval(figure: Bounded, name: str) -> None:
    """Raise unless low <= value <= high, all finite.

    Raises
    ------
    UnusableFiguresError
        Otherwise.
    """
    limits = (figure.low, figure.value, figure.high)
    if not all(map(math.isfinite, limits)) or not limits[0] <= limits[1] <= limits[2]:
        raise UnusableFiguresError(
            f"{name} is {figure.value} with the interval {figure.low} to {figure.high}",
            allowed="the value lies within its interval, all three are numbers",
            remedy="measure it again or correct the entry",
        )


def log_density(density: Bounded, name: str) -> LogFigure:
    """Return the logarithm of a density and its standard deviation.

    An interval that reaches down to nothing says little about the lower side: there the upper
    side stands for both, and a density of 0 is taken to be about a quarter of its upper limit.

    Raises
    ------
    UnusableFiguresError
        Where the interval is none, or its upper limit is not above 0.
    """
    check_interval(density, name)
    if density.high <= 0:
        raise UnusableFiguresError(
            f"{name} has the upper limit {density.high}",
            allowed="a density's upper limit is above 0, even where no line was seen",
            remedy="measure it again",
        )
    if density.value <= 0:
        up = math.log(4) / Z95
        return LogFigure(middle=math.log(density.high / 4), sd=up, upper_sd=up)
    up = math.log(density.high / density.value) / Z95
    if density.low <= 0:
        return LogFigure(middle=math.log(density.value), sd=max(up, 0.5), upper_sd=up)
    both = math.log(density.high / density.low) / (2 * Z95)
    return LogFigure(middle=math.log(density.value), sd=both)


def log_share_left(correction_percent: Bounded, name: str) -> LogFigure:
    """Return the logarithm of the share of line density that a correction leaves.

    Raises
    ------
    UnusableFiguresError
        Where the interval is none.
    """
    check_interval(correction_percent, f"the correction of {name}")
    ends = (correction_percent.high, correction_percent.value, correction_percent.low)
    low, value, high = (max(1 - each / 100, 0.0) for each in ends)
    return log_density(
        Figure(value=value, low=low, high=high), f"the share of lines left on {name}"
    )


def correction_between(before: LogFigure, after: LogFigure) -> Figure:
    """Return the correction in percent from two densities measured apart."""
    middle, sd = after.middle - before.middle, math.hypot(after.sd, before.sd)
    low, value, high = (100 * (1 - math.exp(middle + z * sd)) for z in (Z95, 0, -Z95))
    return Figure(value=value, low=low, high=high)


def shots_wanted(gap: float, sd: float, *, shots: int, lasting_sd: float) -> int | None:
    """Return how many more shots bring the interval's half-width down to the gap.

    Parameters
    ----------
    gap
        Distance of the figure from the limit, on the logarithmic scale.
    sd
        Standard deviation of the figure, of which `lasting_sd` does not shrink with more shots.
    shots
        Shots so far.
    lasting_sd
        Of other states, and of what all shots share.

    Returns
    -------
    int or None
        At least 1; `None` where `MOST_SHOTS` more would not do.

    Examples
    --------
    >>> shots_wanted(0.1, 0.08, shots=2, lasting_sd=0.0)
    3
    """
    lasting = min(lasting_sd, sd)
    open_variance = (abs(gap) / Z95) ** 2 - lasting**2
    if open_variance <= 0:
        return None
    more = math.ceil(shots * ((sd**2 - lasting**2) / open_variance - 1))
    return max(more, 1) if more <= MOST_SHOTS else None


def digits(value: float) -> str:
    """Write a number with three digits or more: rounding makes no 0 or 100 of another figure.

    Examples
    --------
    >>> digits(99.98), digits(123.4), digits(-2.0)
    ('99.98', '123', '−2')
    """
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    places = max(0, 2 - math.floor(math.log10(abs(value))))
    while value != 100 and float(f"{value:.{places}f}") == 100 and places < 4:
        places += 1
    text = f"{value:.{places}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return text.replace("-", "\N{MINUS SIGN}")


def with_interval(figure: Bounded, unit: str) -> str:
    """Write a figure with unit and interval; of one that is "at least", its lower limit alone.

    A lower limit is rounded down, and one under 0 says no more than that there is too little to
    tell.

    Examples
    --------
    >>> with_interval(Figure(value=2.0, low=1.5, high=2.6), "um")
    '2 um (1.5 to 2.6)'
    >>> with_interval(Figure(value=100.0, low=98.19, high=100.0, at_least=True), "%")
    'at least 98.1 %'
    """
    if isinstance(figure, Figure) and figure.at_least:
        low = figure.low
        return f"at least {digits(_rounded_down(low))} {unit}" if low >= 0 else "too little to tell"
    span = f"{digits(figure.low)} to {digits(figure.high)}"
    return f"{digits(figure.value)} {unit} ({span})"


def _rounded_down(value: float) -> float:
    """Round to the digits that are written, never up: a lower limit must stay one."""
    if value == 0:
        return value
    scale = 10.0 ** max(0, 2 - math.floor(math.log10(value)))
    return math.floor(value * scale) / scale
