"""What is good enough: usual limits with their sources, or the workshop's own."""

from dataclasses import dataclass, field, replace
from pathlib import Path

from defectscan.rater_statistics.estimate import KOO_LI, LANDIS_KOCH, Estimate, Result
from defectscan.settings_file import read_settings, wrong_setting

FILE = "judging_limits.toml"
OWN = "the workshop's own limit"
PRACTICE = "common practice, without a source"


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """One limit and where it comes from."""

    value: float
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgingLimits:
    """What is asked of raters, groups and the instrument.

    Attributes
    ----------
    kappa
        Least weighted kappa.
    icc
        Least intraclass correlation.
    alpha
        Least Krippendorff's alpha of a group.
    bias_grade, bias_percent
        Largest mean error, grades or percentage points.
    gauge_percent
        Largest share of the spread of repeated shots that may be the gauge's.
    """

    kappa: Wanted = field(
        default_factory=lambda: Wanted(value=0.61, source=f"substantial: {LANDIS_KOCH.source}")
    )
    icc: Wanted = field(default_factory=lambda: Wanted(value=0.75, source=f"good: {KOO_LI.source}"))
    alpha: Wanted = field(default_factory=lambda: Wanted(value=0.8, source=PRACTICE))
    bias_grade: Wanted = field(default_factory=lambda: Wanted(value=0.5, source=PRACTICE))
    bias_percent: Wanted = field(default_factory=lambda: Wanted(value=10.0, source=PRACTICE))
    gauge_percent: Wanted = field(default_factory=lambda: Wanted(value=30.0, source=PRACTICE))


_RANGES = {
    "kappa": (0, 1),
    "icc": (0, 1),
    "alpha": (0, 1),
    "bias_grade": (0, 5),
    "bias_percent": (0, 100),
    "gauge_percent": (0, 100),
}


def judging_limits(folder: Path) -> JudgingLimits:
    """Return the limits: as `judging_limits.toml` in the book's folder has them, else the usual.

    Raises
    ------
    DefectscanError
        If the file is none that can be read, or a limit is out of range.
    """
    path = folder / FILE
    told = read_settings(path)
    for name, value in told.items():
        number = isinstance(value, (int, float)) and not isinstance(value, bool)
        low, high = _RANGES.get(name, (0, 0))
        # Not a number is not between them, either.
        if not (number and low < value < high):
            ranges = ", ".join(f"{n} ({a} to {b})" for n, (a, b) in _RANGES.items())
            raise wrong_setting(path, name, value, allowed=f"it takes {ranges}")
    own = {name: Wanted(value=float(value), source=OWN) for name, value in told.items()}
    return replace(JudgingLimits(), **own)


def meets_least(result: Result, wanted: Wanted) -> bool | None:
    """Return whether a statistic is at least as wanted: surely yes, surely not, or not known."""
    if not isinstance(result, Estimate) or result.low is None or result.high is None:
        return None
    return True if result.low >= wanted.value else False if result.high < wanted.value else None


def stays_within(result: Result, wanted: Wanted) -> bool | None:
    """Return whether a statistic is no larger in size than wanted: yes, no, or not known."""
    if not isinstance(result, Estimate) or result.low is None or result.high is None:
        return None
    if -wanted.value <= result.low and result.high <= wanted.value:
        return True
    return False if result.low > wanted.value or result.high < -wanted.value else None
