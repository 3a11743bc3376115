"""What grades say: simulated raters with known bias and spread are told as what they are."""

import dataclasses
import io
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path

import cv2
import numpy as np
import pypdf
import pytest
from PIL import Image

from defectscan.errors import DefectscanError
from defectscan.judging.candidates import Reference
from defectscan.judging.grades import Session
from defectscan.judging.key import DeckKey, KeyedPhoto
from defectscan.judging.limits import FILE, JudgingLimits, judging_limits
from defectscan.judging.result_blocks import beside, value_told
from defectscan.judging.result_page import compose_result
from defectscan.judging.result_record import of_result
from defectscan.judging.results import GroupResult, study
from defectscan.judging.scale import Scale
from defectscan.judging.table import lay_out
from defectscan.judging.wording import advice_of, opening_of
from defectscan.output import to_json
from defectscan.rater_statistics.agreement import cohen_kappa, krippendorff_alpha
from defectscan.rater_statistics.errors import Learning
from defectscan.rater_statistics.estimate import Estimate, Undefined
from defectscan.rater_statistics.gauge import GaugeStudy
from defectscan.report.html import page_html
from defectscan.report.pdf import page_pdf
from tests.judging.conftest import HOSTILE_RATER, deck_of, drawn, key_file


def a_key(
    values: Sequence[float | None], *, scale: Scale = Scale.QUANTITY, twice: int = 10
) -> DeckKey:
    """Make a key whose first photos are shown twice; every third photo has light paint."""
    photos = tuple(
        KeyedPhoto(
            ident=str(i),
            name=f"photo {i}",
            groups={"paint": "light paint" if i % 3 == 0 else "dark paint"},
            reference=None
            if value is None
            else Reference(value=value, low=None, high=None, source="true"),
            pictures=(PICTURE,) if scale is Scale.QUANTITY else (PICTURE, PICTURE),
        )
        for i, value in enumerate(values)
    )
    cards = (*range(len(values)), *range(twice))
    return DeckKey(ident="a" * 12, title="", scale=scale, photos=photos, cards=cards)


def _picture() -> bytes:
    return bytes(cv2.imencode(".jpg", drawn(3, seed=1).rgb)[1])


PICTURE = _picture()


def sitting(
    key: DeckKey, rater: str, *, day: int = 1, bias: float = 0, sd: float = 0.4,
    light: float = 0, seed: int = 0,
) -> Session:  # fmt: skip
    rng = np.random.default_rng([seed, day])
    grades: dict[int, float | None] = {}
    for number, card in enumerate(key.cards, start=1):
        photo = key.photos[card]
        value = photo.reference.value if photo.reference else card % 6
        extra = light if photo.groups["paint"] == "light paint" else 0
        given = value + bias + extra + rng.normal(0, sd)
        if key.scale is Scale.QUANTITY:
            given = float(np.clip(round(given), 0, 5))
        grades[number] = float(np.clip(given, -100, 100))
    return Session(
        rater=rater, graded_on=f"2026-05-{day:02}", ident=f"{rater}{day}", source="", grades=grades
    )


def studied(key: DeckKey, sessions: Sequence[Session]) -> GroupResult:
    return study(lay_out([(key, sessions)]), JudgingLimits(), np.random.default_rng(0))


VALUES = [float(i % 6) for i in range(60)]
PERCENT = [float(v) for v in np.linspace(5, 97, 30)]


def test_sessions_are_laid_out_by_photo_and_showing() -> None:
    key = a_key([1.0, 2.0, None], twice=2)
    given: dict[int, float | None] = {1: 1, 2: None, 4: 2, 5: 3}
    one = Session(rater="Ana", graded_on="2026-05-02", ident="1", source="", grades=given)
    when = "2026-05-01T09:00:00+00:00"
    two = Session(rater=" ANA ", graded_on=when, ident="2", source="", grades={1: 5, 3: 4})
    table = lay_out([(key, [one, two])])
    assert table.raters == ("Ana",)
    assert [s.on.day for s in table.sittings] == [1, 2]
    # The second session gave photo 2 at its second showing alone, and photo 3 not at all.
    np.testing.assert_array_equal(table.last()[:, 0], [1, 3, 4])
    np.testing.assert_array_equal(table.sittings[1].readings, [[1, 2], [np.nan, 3], [np.nan] * 2])
    assert table.repeats(0).shape == (6, 2)
    np.testing.assert_array_equal(
        table.from_session_to_session(0), [[5, 1], [np.nan, 3], [4, np.nan]]
    )
    errors, numbers = table.errors(0)
    assert sorted(errors[~np.isnan(errors)].tolist()) == [0, 1, 1, 4]
    assert set(numbers) == {1.0, 2.0}


@pytest.mark.usefixtures("ahead_of_utc")
def test_the_last_grade_is_the_last_where_the_workshop_is() -> None:
    key = a_key([1.0], twice=0)
    sheet = Session(rater="Ana", graded_on="2026-06-01", ident="1", source="", grades={1: 1})
    # Eight in the morning of the same first of June, local time.
    when = "2026-05-31T20:00:00+00:00"
    page = Session(rater="Ana", graded_on=when, ident="2", source="", grades={1: 5})
    assert lay_out([(key, [page, sheet])]).last()[0, 0] == 5


def test_a_photo_of_two_decks_is_one_photo() -> None:
    key = a_key([1.0, 2.0], twice=0)
    other = DeckKey(
        ident="b" * 12, title="", scale=key.scale, photos=key.photos[::-1], cards=(0, 1)
    )
    first = Session(rater="Ana", graded_on="2026-05-01", ident="1", source="", grades={1: 1, 2: 2})
    second = Session(rater="Ben", graded_on="2026-05-01", ident="2", source="", grades={1: 2, 2: 1})
    table = lay_out([(key, [first]), (other, [second])])
    np.testing.assert_array_equal(table.last(), [[1, 1], [2, 2]])


def test_a_lower_limit_alone_is_no_value() -> None:
    key = a_key([60.0, 98.0], scale=Scale.CORRECTION, twice=0)
    least = Reference(value=98.8, low=93.01, high=99.96, source="measured", at_least=True)
    photos = (key.photos[0], dataclasses.replace(key.photos[1], reference=least))
    given: dict[int, float | None] = {1: 55, 2: 93}
    one = Session(rater="Ana", graded_on="2026-05-02", ident="1", source="", grades=given)
    table = lay_out([(dataclasses.replace(key, photos=photos), [one])])
    np.testing.assert_array_equal(table.truth, [60, np.nan])
    np.testing.assert_array_equal(table.errors(0)[0][[0, 2]], [-5, np.nan])
    assert value_told(photos[1]) == "; measured at least 93\N{NO-BREAK SPACE}%"


def test_a_value_is_that_of_the_first_deck_that_has_one() -> None:
    bare, first, second = a_key([None, None]), a_key([1.0, None]), a_key([3.0, 2.0])
    for keys in ([bare, first, second], [first, bare, second], [first, second, bare]):
        table = lay_out([(key, []) for key in keys])
        np.testing.assert_array_equal(table.truth, [1, 2])


def test_the_statistics_are_those_of_the_workshop() -> None:
    key = a_key(VALUES)
    sessions = [sitting(key, name, seed=i, sd=0.7) for i, name in enumerate(("Ana", "Ben", "Cy"))]
    group = studied(key, sessions)
    grades = group.table.last()
    assert group.alpha == krippendorff_alpha(grades)
    assert group.raters[0].truth_kappa == cohen_kappa(grades[:, 0], np.array(VALUES))
    repeats = group.table.repeats(1)
    assert group.raters[1].self_kappa == cohen_kappa(repeats[:, 0], repeats[:, 1])
    assert np.sum(~np.isnan(repeats).any(axis=1)) == 10


def test_a_good_rater_is_told_so_and_a_strict_one_which_way() -> None:
    key = a_key([1.0 + i % 4 for i in range(60)])
    group = studied(key, [sitting(key, "Ana", sd=0.25), sitting(key, "Ben", bias=0.9, seed=1)])
    good, strict = group.raters
    assert good.answer == "yes"
    assert strict.answer == "not yet"
    assert isinstance(strict.errors.bias, Estimate)
    assert strict.errors.bias.value == pytest.approx(0.9, abs=0.25)
    text = page_html(compose_result(group, title="Test", on=date(2026, 5, 1)))
    assert "You see more lines than there are" in text
    assert "Your grades hold" in text


@pytest.mark.parametrize("scale", list(Scale))
def test_a_mean_error_without_slips_is_called_so_and_a_page_has_one(scale: Scale) -> None:
    quantity = scale is Scale.QUANTITY
    key = a_key(VALUES if quantity else PERCENT, scale=scale, twice=0)
    one = sitting(key, "Ana", bias=-1, sd=0.2 if quantity else 2)
    slips = (13, 19, 25)
    for card in slips:
        value = key.photos[card - 1].reference
        assert value is not None
        one.grades[card] = 5.0 if quantity else value.value - 60
    group = studied(key, [one])
    (rater,) = group.raters
    assert rater.errors.slips == tuple(card - 1 for card in slips)
    # One rater's mean error is that of all.
    assert group.bias == rater.errors.bias
    assert rater.errors.bias_with_slips != rater.errors.bias
    assert "a mean error, slips apart, within" in rater.reasons[1]
    assert "a mean error, slips counted, within" in rater.reasons[2]
    text = page_html(compose_result(group, title="Test", on=date(2026, 5, 1)))
    assert f"Mean error, {'grades' if quantity else 'points'}, slips apart" in text
    assert "Mean error of all, slips apart" in text
    assert text.count(f"3 of {len(key.photos)} grades look like slips") == 2
    told = of_result(group, JudgingLimits())["raters"][0]
    assert [slip["name"] for slip in told["slips"]] == [f"photo {card - 1}" for card in slips]


def test_slips_that_all_go_one_way_are_not_left_out_of_the_answer() -> None:
    key = a_key([float(v) for v in np.linspace(5, 97, 100)], scale=Scale.CORRECTION, twice=0)
    one = sitting(key, "Ana", sd=1)
    for card in range(85, 101):
        value = key.photos[card - 1].reference
        assert value is not None
        one.grades[card] = value.value - 90
    (rater,) = studied(key, [one]).raters
    assert len(rater.errors.slips) == 16
    assert rater.reasons[1].endswith("shown")
    assert rater.reasons[2].endswith("not settled by so few grades")


def test_raters_whose_errors_are_all_the_same_are_told_what_they_are() -> None:
    key = a_key([float(i % 5) for i in range(60)])
    exact, high = studied(
        key, [sitting(key, "Ana", sd=0), sitting(key, "Ben", bias=1, sd=0)]
    ).raters
    assert exact.answer == "yes"
    assert exact.reasons[1].endswith("shown")
    assert high.answer == "not yet"
    assert high.reasons[1].endswith("not reached")
    # The fewest grades settle nothing, however alike they are.
    few = a_key([1.0, 2.0, 4.0], twice=0)
    assert studied(few, [sitting(few, "Ana", sd=0)]).raters[0].answer == "not known"


def test_what_is_not_known_says_why() -> None:
    key = a_key([float(v) for v in range(5, 35)], scale=Scale.CORRECTION)
    (exact,) = studied(key, [sitting(key, "Ana", sd=0)]).raters
    assert exact.answer == "not known"
    assert all(reason.endswith("nothing says how large it may be") for reason in exact.reasons)
    (alike,) = studied(a_key([2.0] * 30), [sitting(a_key([2.0] * 30), "Ana", sd=0)]).raters
    assert "not known, all grades are the same" in alike.reasons[0]


def test_too_kind_on_light_paint_is_found_and_said() -> None:
    key = a_key([2.0 + i % 3 for i in range(60)])
    group = studied(key, [sitting(key, "Ana", light=-1.0), sitting(key, "Ben", seed=1)])
    lean = {one.group: one.difference for one in group.raters[0].leans}["light paint"]
    assert isinstance(lean, Estimate)
    assert lean.high is not None
    assert lean.high < 0
    text = page_html(compose_result(group, title="Test", on=date(2026, 5, 1)))
    assert "With light paint you are too kind" in text


def test_what_the_scales_ends_do_is_not_called_a_habit() -> None:
    key = a_key(VALUES * 4, twice=0)
    amounts = ["many lines" if value >= 3 else "few lines" for value in VALUES * 4]
    photos = tuple(
        replace(photo, groups={"paint": "dark paint", "amount": amount})
        for photo, amount in zip(key.photos, amounts, strict=True)
    )
    key = replace(key, photos=photos)
    # No habit at all, but a spread of a grade and more, cut off at 0 and 5.
    (one,) = studied(key, [sitting(key, "Ana", sd=1.6)]).raters
    lean = {lean.group: lean for lean in one.leans}["many lines"]
    assert isinstance(lean.difference, Estimate)
    assert lean.difference.high is not None
    assert lean.difference.high < 0
    assert lean.by_truth
    told = advice_of(one, Scale.QUANTITY)
    assert told[0] == "No lean in any direction is proven by these grades."
    text = next(line for line in told if line.startswith("With many lines you gave too little"))
    assert "without any habit" in text
    assert not any("kind" in line or "strict" in line for line in told)


def test_learning_is_told_from_chance() -> None:
    key = a_key([2.0 + i % 2 for i in range(40)])
    better = [sitting(key, "Ana", day=d, sd=2.2 - 0.4 * d) for d in range(1, 6)]
    same = [sitting(key, "Ben", day=d, sd=0.8, seed=2) for d in range(1, 6)]
    ana, ben = studied(key, [*better, *same]).raters
    assert isinstance(ana.learning, Learning)
    assert ana.learning.proven
    assert isinstance(ben.learning, Learning)
    assert not ben.learning.proven
    assert isinstance(ben.days_kappa, Estimate)
    assert isinstance(studied(key, same[:2]).raters[0].learning, Undefined)


def test_a_photo_that_splits_the_group_is_shown_with_its_lean() -> None:
    key = a_key([2.0 + i % 2 for i in range(40)], twice=0)
    sessions = [sitting(key, name, sd=0.2, seed=i) for i, name in enumerate(("Ana", "Ben", "Cy"))]
    sessions[0].grades[8] = 5.0
    sessions[1].grades[8] = 0.0
    group = studied(key, sessions)
    assert [split.photo for split in group.splits] == [7]
    told = of_result(group, JudgingLimits())["group"]["splitting_photos"][0]
    assert told["lean"]["Ana"] > 1
    assert told["lean"]["Ben"] < -1
    text = page_html(compose_result(group, title="Test", on=date(2026, 5, 1)))
    assert "Ana 5, Ben 0, Cy" in text


def test_raters_of_different_photos_split_nothing() -> None:
    key = a_key([2.0, 3.0, 4.0, 5.0], twice=0)
    given: dict[str, dict[int, float | None]] = {"Ana": {1: 2.0, 2: 3.0}, "Ben": {3: 4.0, 4: 5.0}}
    sessions = [
        Session(rater=name, graded_on="2026-05-01", ident=name, source="", grades=grades)
        for name, grades in given.items()
    ]
    text = page_html(compose_result(studied(key, sessions), title="Test", on=date(2026, 5, 1)))
    assert "No photo has grades of two raters" in text
    assert "No photo split the group" not in text


def test_percentages_have_a_gauge_study_and_limits_of_agreement() -> None:
    key = a_key(PERCENT, scale=Scale.CORRECTION, twice=30)
    names = ("Ana", "Ben", "Cy", "Di")
    biases = (-6, 0, 5, 2)
    sessions = [
        sitting(key, n, bias=b, sd=4, seed=i)
        for i, (n, b) in enumerate(zip(names, biases, strict=True))
    ]
    group = studied(key, sessions)
    assert isinstance(group.gauge, GaugeStudy)
    assert (group.gauge.n_panels, group.gauge.n_appraisers, group.gauge.n_repeats) == (30, 4, 2)
    assert group.gauge.repeatability_sd.value == pytest.approx(4, rel=0.2)
    assert isinstance(group.raters[0].truth_kappa, Undefined)
    text = page_html(compose_result(group, title="Test", on=date(2026, 5, 1)))
    assert "Reproducibility" in text
    assert page_pdf(compose_result(group, title="Test", on=date(2026, 5, 1))).startswith(b"%PDF")


def test_raters_who_agree_throughout_are_not_surely_acceptable() -> None:
    key = a_key([20.0, 60.0, 80.0], scale=Scale.CORRECTION, twice=3)
    group = studied(key, [sitting(key, name, sd=0) for name in ("Ana", "Ben")])
    text = page_html(compose_result(group, title="Test", on=date(2026, 5, 1)))
    assert (
        "whole spread: 0 % (a source shows no spread, so nothing says how large it may be): "
        "acceptable as counted, but without an interval"
    ) in text
    assert "told apart: undefined: repeats and appraisers do not differ at all." in text


@pytest.mark.parametrize("scale", list(Scale))
def test_each_rater_has_one_page(scale: Scale) -> None:
    quantity = scale is Scale.QUANTITY
    key = a_key(VALUES[:30] if quantity else PERCENT, scale=scale)
    size = 1.0 if quantity else 12.0
    names = ("Ana", "Ben", HOSTILE_RATER)
    sessions = [
        sitting(key, name, day=d, bias=(i - 1) * size, sd=size, light=-size, seed=i)
        for i, name in enumerate(names)
        for d in range(1, 6)
    ]
    page = compose_result(studied(key, sessions), title="Test", on=date(2026, 5, 1))
    pages = [p.extract_text() for p in pypdf.PdfReader(io.BytesIO(page_pdf(page))).pages]
    first = [
        next(i for i, text in enumerate(pages) if text.startswith(n[:9]))
        for n in sorted(names, key=str.casefold)
    ]
    assert first == list(range(len(pages) - 3, len(pages)))
    html = page_html(page)
    assert "onerror=alert(1)&gt;" in html
    assert "<img src=x" not in html


@pytest.mark.parametrize(
    "grades", [{}, {1: 3.0}, dict.fromkeys(range(1, 61), 3.0), dict.fromkeys(range(1, 61))]
)
def test_little_to_go_by_is_undefined_with_a_reason(grades: dict[int, float | None]) -> None:
    key = a_key(VALUES, twice=0)
    sessions = [
        Session(rater=n, graded_on="2026-05-01", ident=n, source="", grades=grades) for n in "AB"
    ]
    group = studied(key, sessions)
    told = of_result(group, JudgingLimits())
    assert "NaN" not in to_json(told)
    assert told["group"]["krippendorff_alpha"]["value"] is None
    assert told["group"]["krippendorff_alpha"]["undefined"]
    assert group.answer == "not known"
    assert "not known" in page_html(compose_result(group, title="Test", on=date(2026, 5, 1)))


@pytest.mark.parametrize("scale", list(Scale))
def test_photos_without_values_are_not_called_few_grades(scale: Scale) -> None:
    key = a_key([None] * 12, scale=scale, twice=6)
    group = studied(key, [sitting(key, name, sd=0.6, seed=i) for i, name in enumerate("AB")])
    one = group.raters[0]
    assert all("a value: 0" in why or "known truth: 0" in why for why in one.reasons)
    text = page_html(compose_result(group, title="Test", on=date(2026, 5, 1)))
    assert text.count("No photo that you graded has a value") == 2
    assert "sessions with known values: 0" in text
    assert "Farthest from the others of all that you graded." in text
    assert "from the value" not in text


@pytest.mark.parametrize(("n", "arrows"), [(3, True), (60, False)])
def test_a_cut_whisker_is_told_under_the_chart(n: int, *, arrows: bool) -> None:
    key = a_key(VALUES[1:4] * (n // 3), twice=0)
    one = sitting(key, "Ana", sd=0)
    one.grades[1] = 3.0
    text = page_html(compose_result(studied(key, [one]), title="Test", on=date(2026, 5, 1)))
    assert ("An arrow head: the interval goes on beyond the chart." in text) == arrows


def test_worth_another_look_says_what_a_photo_is_far_from() -> None:
    key = a_key([2.0, None, 2.0, None], twice=0)
    grades: dict[int, float | None] = {1: 5, 2: 0, 3: 2, 4: 2}
    ana = Session(rater="Ana", graded_on="2026-05-01", ident="1", source="", grades=grades)
    ben = Session(rater="Ben", graded_on="2026-05-01", ident="2", source="", grades=grades | {2: 5})
    page = page_html(compose_result(studied(key, [ana, ben]), title="T", on=date(2026, 5, 1)))
    assert "from the value, or from the others where there is none, of all that you graded" in page


def test_what_is_not_settled_is_not_praised() -> None:
    key = a_key([float(i % 6) for i in range(8)], twice=0)
    grades: dict[int, float | None] = {n: float((2 * n) % 6) for n in range(1, 9)}
    one = Session(rater="Ana", graded_on="2026-05-01", ident="1", source="", grades=grades)
    group = studied(key, [one])
    (rater,) = group.raters
    assert rater.answer == "not known"
    assert isinstance(rater.truth_kappa, Estimate)
    assert rater.truth_kappa.value < 0
    assert opening_of(rater).startswith("These grades do not settle whether")


def test_one_rater_without_values_is_told_by_repeats_alone() -> None:
    key = a_key([None] * 12, twice=6)
    group = studied(key, [sitting(key, "Ana", sd=0.6)])
    assert isinstance(group.raters[0].self_kappa, Estimate)
    assert isinstance(group.raters[0].truth_kappa, Undefined)
    page = compose_result(group, title="Test", on=date(2026, 5, 1))
    assert "a group needs two" in page_html(page)
    assert "There is one rater: photos can split a group of two or more." in page_html(page)
    assert "No photo split the group" not in page_html(page)
    assert page_pdf(page).startswith(b"%PDF")


def test_the_workshops_own_limits(tmp_path: Path) -> None:
    assert judging_limits(tmp_path) == JudgingLimits()
    (tmp_path / FILE).write_text("kappa = 0.3\nbias_grade = 2\n")
    limits = judging_limits(tmp_path)
    assert (limits.kappa.value, limits.bias_grade.value, limits.icc.value) == (0.3, 2.0, 0.75)
    assert "own" in limits.kappa.source
    assert "Landis and Koch" in JudgingLimits().kappa.source
    for text in ("kappa = 2", "kappa = 'x'", "kapa = 0.5", "kappa", "kappa = nan", "kappa = true"):
        (tmp_path / FILE).write_text(text)
        with pytest.raises(DefectscanError, match=FILE):
            judging_limits(tmp_path)


def test_the_interval_of_the_mean_error_holds_the_truth() -> None:
    """In 90 to 99 % of simulated raters; the spread is recovered on average."""
    key = a_key(PERCENT, scale=Scale.CORRECTION, twice=0)
    held, spreads = 0, []
    for seed in range(200):
        sessions = [sitting(key, "Ana", bias=-3, sd=2, seed=seed)]
        one = studied(key, sessions).raters[0].errors
        assert isinstance(one.bias, Estimate)
        assert isinstance(one.spread, Estimate)
        assert one.bias.low is not None
        assert one.bias.high is not None
        held += one.bias.low <= -3 <= one.bias.high
        spreads.append(one.spread.value)
    assert 0.90 <= held / 200 <= 0.99
    assert np.mean(spreads) == pytest.approx(2, rel=0.05)


def test_a_deck_made_and_read_back_gives_the_same_table(tmp_path: Path) -> None:
    deck = deck_of([0, 1, 2, 3, 4, 5])
    _, key = key_file(deck, tmp_path)
    assert [p.reference.value for p in key.photos if p.reference] == [0, 1, 2, 3, 4, 5]
    truth = {n: key.photos[card].reference for n, card in enumerate(key.cards, start=1)}
    grades = {n: None if ref is None else ref.value for n, ref in truth.items()}
    one = Session(rater="Ana", graded_on="2026-05-01", ident="1", source="", grades=grades)
    group = studied(key, [one])
    assert isinstance(group.raters[0].truth_kappa, Estimate)
    assert group.raters[0].truth_kappa.value == 1
    assert isinstance(group.raters[0].self_kappa, Estimate)
    assert group.raters[0].self_kappa.value == 1


def test_a_damaged_picture_is_left_black_without_noise(
    capfd: pytest.CaptureFixture[str],
) -> None:
    picture = io.BytesIO()
    Image.fromarray(drawn(3, seed=1).rgb).save(picture, "JPEG")
    whole = picture.getvalue()
    middle = len(whole) // 2
    spoilt = whole[:middle] + bytes(500) + b"\xff\xd9" + whole[middle:]
    for data in (b"no picture", whole[:middle], spoilt):
        photo = beside([whole, data])
        assert photo.width_px > 0
    assert capfd.readouterr().err == ""
