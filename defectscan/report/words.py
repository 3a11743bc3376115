"""The figures as a few lines on the terminal."""

from defectscan.flags import Flag
from defectscan.measurement.comparison import Correction
from defectscan.measurement.score import Interval
from defectscan.measurement.state import PanelScore
from defectscan.pipeline import Comparison
from defectscan.report import wording
from defectscan.report.content import DensityUnit, Estimate

CAUTION = (
    "A photo does not see how much clear coat is left: measure film thickness before any pass."
)


def estimate(interval: Interval) -> Estimate:
    """Return an interval as the report writes it."""
    return Estimate(value=interval.value, low=interval.low, high=interval.high)


def correction_estimate(correction: Correction) -> Estimate:
    """Return a correction as the report writes it."""
    percent = correction.percent
    if percent is None:
        return Estimate()
    at_least = percent.low if correction.at_least else None
    return Estimate(value=percent.value, low=percent.low, high=percent.high, at_least=at_least)


def of_score(score: PanelScore) -> str:
    """Return the lines for one state."""
    grade = "" if score.grade is None else f", grade {score.grade} of 5"
    return "\n".join([f"Line density {_density(score)}{grade}", *_flags(score.flags)])


def of_comparison(comparison: Comparison) -> str:
    """Return the lines for two states."""
    flags = (*comparison.flags, *comparison.before.flags, *comparison.after.flags)
    return "\n".join(
        [
            f"Correction {wording.correction(correction_estimate(comparison.correction))}",
            f"Before     {_density(comparison.before)}",
            f"After      {_density(comparison.after)}",
            *_flags(tuple(dict.fromkeys(flags))),
            CAUTION,
        ]
    )


def _density(score: PanelScore) -> str:
    unit: DensityUnit = "mm/cm²" if score.has_scale else "px/px²"
    return wording.density_and_interval(
        estimate(score.line_density), unit, limit=score.detection_limit
    )


def _flags(flags: tuple[Flag, ...]) -> list[str]:
    return [f"- {flag.text} {flag.advice}" for flag in flags]
