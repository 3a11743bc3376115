"""The lines on the terminal: figures with their interval, every doubt, and the caution."""

from dataclasses import replace

import pytest

from defectscan.flags import Flag
from defectscan.measurement.comparison import Correction
from defectscan.measurement.score import Interval
from defectscan.measurement.state import PanelScore
from defectscan.pipeline import Comparison
from defectscan.report import words
from defectscan.report.content import Estimate


def plain(text: str) -> str:
    return text.replace("\N{NO-BREAK SPACE}", " ").replace("\N{MINUS SIGN}", "-")


def with_density(state: PanelScore, value: float, low: float, high: float) -> PanelScore:
    density = Interval(value=value, low=low, high=high)
    return replace(state, line_density=density, detection_limit=6.0, grade=3, flags=())


def corrected(comparison: Comparison, correction: Correction) -> str:
    bare = replace(
        comparison,
        correction=correction,
        before=replace(comparison.before, flags=()),
        after=replace(comparison.after, flags=()),
        flags=(),
    )
    return plain(words.of_comparison(bare)).splitlines()[0]


def test_score(state: PanelScore) -> None:
    text = plain(words.of_score(with_density(state, 143.4, 128.2, 160.1)))
    assert text == "Line density 143 mm/cm² (128 to 160), grade 3 of 5"


def test_score_under_its_detection_limit(state: PanelScore) -> None:
    text = plain(words.of_score(with_density(state, 2.0, 0.0, 7.0)))
    assert text.startswith("Line density under 6 mm/cm²")
    assert " 0 " not in text


def test_score_without_a_scale(unscaled: Comparison) -> None:
    text = plain(words.of_score(unscaled.before))
    assert "px/px²" in text.splitlines()[0]
    assert "grade" not in text.splitlines()[0]
    assert Flag.NO_SCALE.text in text


def test_without_a_scale_lengths_are_in_the_photos_own_pixels(unscaled: Comparison) -> None:
    reduced = replace(unscaled.before, photo_scale=0.5)
    half = with_density(unscaled.before, 0.07, 0.06, 0.08)
    twice = with_density(reduced, 0.14, 0.12, 0.16)
    told = [words.density(replace(s, detection_limit=0.0)) for s in (half, twice)]
    assert told[0] == told[1]
    under = [
        words.density(replace(half, detection_limit=0.09)),
        words.density(replace(twice, detection_limit=0.18)),
    ]
    assert plain(under[0]) == plain(under[1]) == "under 0.09 px/px²"


def test_flags_are_told_with_their_advice(state: PanelScore) -> None:
    flagged = replace(state, flags=(Flag.SPARKLE, Flag.CROWDED))
    lines = words.of_score(flagged).splitlines()
    assert lines[1:] == [f"- {f.text} {f.advice}" for f in (Flag.SPARKLE, Flag.CROWDED)]


def test_comparison(comparison: Comparison) -> None:
    lines = plain(words.of_comparison(comparison)).splitlines()
    assert lines[0].startswith("Correction ")
    assert lines[1].startswith("Before")
    assert lines[2].startswith("After")
    assert "mm/cm²" in lines[1]
    assert lines[-1] == words.CAUTION
    flags = {*comparison.flags, *comparison.before.flags, *comparison.after.flags}
    assert len(lines) == 4 + len(flags) + len(words.more_shots(comparison))
    percent = Interval(value=80, low=74, high=86)
    within_reach = replace(comparison, correction=Correction(percent=percent))
    assert f"About {within_reach.more_shots} more shots" in words.of_comparison(within_reach)


def test_it_is_said_where_more_shots_would_not_do(comparison: Comparison) -> None:
    def with_correction(percent: Interval | None) -> Comparison:
        return replace(comparison, correction=Correction(percent=percent))

    loose = with_correction(Interval(value=48, low=38, high=57))
    (said,) = words.more_shots(loose)
    assert "even 20 more of each state would not bring it to ±3 points" in said
    assert said in words.of_comparison(loose)
    assert words.more_shots(with_correction(Interval(value=48, low=46, high=50))) == []
    assert words.more_shots(with_correction(None)) == []


@pytest.mark.parametrize(
    ("correction", "line"),
    [
        (Correction(percent=Interval(value=83.2, low=76.4, high=88.1)), "83 % (76 to 88 %)"),
        (
            Correction(percent=Interval(value=100, low=92.7, high=100), at_least=True),
            "at least 92 %",
        ),
        (Correction(percent=None), "undefined"),
        (
            Correction(percent=Interval(value=-12.3, low=-22, high=-3.2)),
            "-12 % (-22 to -3 %), an increase",
        ),
    ],
    ids=["usual", "at least", "undefined", "increase"],
)
def test_corrections(comparison: Comparison, correction: Correction, line: str) -> None:
    assert corrected(comparison, correction) == f"Correction {line}"


def test_every_flag_says_what_it_means_and_what_to_do() -> None:
    for flag in Flag:
        assert flag.text.endswith(".")
        assert flag.advice.endswith(".")
        assert "\n" not in flag.text + flag.advice


def test_estimates() -> None:
    interval = Interval(value=1.5, low=1.0, high=2.5)
    assert words.estimate(interval) == Estimate(value=1.5, low=1.0, high=2.5)
    assert words.correction_estimate(Correction(percent=None)) == Estimate()
    at_least = words.correction_estimate(Correction(percent=interval, at_least=True))
    assert at_least.at_least == 1.0
