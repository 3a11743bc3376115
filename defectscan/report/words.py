"""The figures as a few lines on the terminal."""

from defectscan.flags import Doubt
from defectscan.measurement.comparison import Correction
from defectscan.measurement.score import Interval
from defectscan.measurement.state import PanelScore
from defectscan.pipeline import MOST_MORE_SHOTS, WANTED_POINTS, Comparison
from defectscan.report import wording
from defectscan.report.content import DensityUnit, Estimate

CAUTION = (
    "A photo does not see how much clear coat is left: measure film thickness before any pass."
)


def estimate(interval: Interval, *, factor: float = 1.0) -> Estimate:
    """Return an interval, times a factor, as the report writes it."""
    return Estimate(
        value=interval.value * factor, low=interval.low * factor, high=interval.high * factor
    )


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
    aside = [f"- set aside: {one.reason}" for one in score.set_aside]
    return "\n".join([f"Line density {density(score)}{grade}", *flag_lines(score.flags), *aside])


def of_comparison(comparison: Comparison) -> str:
    """Return the lines for two states."""
    flags = (*comparison.flags, *comparison.before.flags, *comparison.after.flags)
    aside = (*comparison.before.set_aside, *comparison.after.set_aside)
    return "\n".join(
        [
            f"Correction {wording.correction(correction_estimate(comparison.correction))}",
            f"Before     {density(comparison.before)}",
            f"After      {density(comparison.after)}",
            *more_shots(comparison),
            *flag_lines(tuple(dict.fromkeys(flags))),
            *(f"- set aside: {one.reason}" for one in aside),
            CAUTION,
        ]
    )


def more_shots(comparison: Comparison) -> list[str]:
    """Say how many more shots would make the correction surer; nothing where it is sure."""
    if comparison.correction.percent is None:
        return []
    return more_shots_sentences(comparison.more_shots)


def more_shots_sentences(more: int | None) -> list[str]:
    """Say that so many more shots would make a correction surer, or `None`: not enough so.

    Nothing is said where no more are needed.
    """
    if more is None:
        text = (
            "More shots, with the highlight elsewhere in each, make the correction surer, but "
            f"even {MOST_MORE_SHOTS} more of each state would not bring it to "
            f"±{WANTED_POINTS:.0f} points."
        )
        return [text]
    if not more:
        return []
    shots = (
        f"{more} more shot{'s' * (more > 1)} of each state, with the highlight elsewhere in each"
    )
    return [f"About {shots}, would bring the correction to ±{WANTED_POINTS:.0f} points."]


def density(score: PanelScore) -> str:
    """Return a state's line density with its interval."""
    unit: DensityUnit = "mm/cm²" if score.has_scale else "px/px²"
    factor = score.told_factor
    return wording.density_and_interval(
        estimate(score.line_density, factor=factor), unit, limit=score.detection_limit * factor
    )


def flag_lines(flags: tuple[Doubt, ...]) -> list[str]:
    """Return a line for each doubt: what it means, and what to do."""
    return [f"- {flag.text} {flag.advice}" for flag in flags]
