"""The sentence at the head of a panel."""

from dataclasses import replace

import pytest

from defectscan.report.content import Estimate, Panel
from defectscan.report.page import Headline
from defectscan.report.summary import figures_table, headline, kinds_table, overview


def words(panel: Panel, n_flags: int = 0) -> Headline:
    made = headline(panel, n_flags)
    clean = {
        name: getattr(made, name).replace("\N{NO-BREAK SPACE}", " ")
        for name in ("figure", "phrase", "interval")
    }
    return replace(made, **clean)


def test_a_correction_comes_with_its_interval(panel: Panel) -> None:
    made = words(panel)
    assert made.figure == "83 %"
    assert made.phrase == "of the scratch length per area is gone"
    assert made.interval == "95 % interval: 76 to 88 %"
    assert [tile.label for tile in made.tiles] == ["Before", "After", "Grade, 0 to 5"]


def test_an_increase_is_called_one(panel: Panel) -> None:
    made = words(replace(panel, correction=Estimate(value=-12.3, low=-22, high=-3.2)))
    assert (made.figure, made.phrase) == ("12 %", "more scratch length per area than before")
    assert made.interval == "95 % interval of the correction: \N{MINUS SIGN}22 to \N{MINUS SIGN}3 %"
    assert made.ink == "warning"


def test_an_unsure_change_is_called_unsure(panel: Panel) -> None:
    made = words(replace(panel, correction=Estimate(value=6, low=-9, high=19)))
    assert "no sure change" in made.interval
    assert made.ink == "muted"


def test_the_same_photo_twice_reads_zero(panel: Panel) -> None:
    made = words(replace(panel, correction=Estimate(value=0, low=-7, high=7)))
    assert made.figure == "0 %"
    assert "no sure change" in made.interval


def test_what_is_left_under_the_limit_gives_a_bound(panel: Panel) -> None:
    made = words(replace(panel, correction=Estimate(at_least=96.2)))
    assert made.figure == "at least 96 %"
    assert made.interval == "What is left is under the detection limit."


def test_a_bound_under_zero_says_nothing(panel: Panel) -> None:
    made = words(replace(panel, correction=Estimate(value=60, low=-80, high=100, at_least=-80)))
    assert made.figure == "Too little to tell"
    assert made.phrase == "the correction cannot be given"
    assert made.interval.startswith("What is left is under the detection limit. What was there")


def test_nothing_to_correct_is_undefined_with_its_reason(panel: Panel) -> None:
    before = replace(panel.before, line_density=Estimate(value=2.0, low=0, high=5))
    made = words(replace(panel, before=before, correction=Estimate()))
    assert made.figure == "Undefined"
    assert made.interval.startswith("Before, the panel was already under")
    assert "under 6.2" in made.sentences[0].replace("\N{NO-BREAK SPACE}", " ")


def test_a_given_reason_is_passed_on(panel: Panel) -> None:
    made = words(replace(panel, correction=Estimate(note="the lamp was too broad")))
    assert made.interval == "The lamp was too broad."


def test_one_state_shows_its_density(one_state: Panel) -> None:
    made = words(one_state)
    assert made.figure == "143 mm/cm²"
    assert made.interval == "95 % interval: 128 to 160"


def test_lines_as_seen_are_called_visible(panel: Panel, one_state: Panel) -> None:
    assert "visible line" in words(replace(panel, as_seen=True)).phrase
    assert "not corrected for the lamp" in words(replace(one_state, as_seen=True)).phrase


@pytest.mark.parametrize(("n", "text"), [(1, "1 doubt is"), (3, "3 doubts are")])
def test_doubts_are_counted(panel: Panel, n: int, text: str) -> None:
    assert words(panel, n).sentences[-1].startswith(text)


def test_without_a_scale_there_is_no_grade_and_the_unit_is_pixels(panel: Panel) -> None:
    density = Estimate(value=0.0123, low=0.011, high=0.014)
    before = replace(panel.before, line_density=density, grade=None, detection_limit=None)
    after = replace(before, line_density=Estimate(value=0.002, low=0.001, high=0.003))
    bare = replace(panel, density_unit="px/px²", before=before, after=after)
    made = words(bare)
    assert "px/px²" in made.tiles[0].value
    assert made.tiles[2].detail == "no scale, no grade"
    assert "no scale is known" in made.sentences[0]


def test_lines_as_seen_have_no_grade_whatever_the_scale(panel: Panel, one_state: Panel) -> None:
    before = replace(panel.before, grade=None)
    two = replace(panel, as_seen=True, before=before, after=replace(before, grade=None))
    assert words(two).tiles[2].detail == "not graded as seen"
    one = replace(one_state, as_seen=True, before=before)
    assert words(one).tiles[0].detail == "not graded as seen"
    assert words(replace(one, as_seen=False)).tiles[0].detail == "not graded"


def test_the_lowest_grade_does_not_say_that_nothing_was_found(panel: Panel) -> None:
    few = replace(panel.before, line_density=Estimate(value=1.5, low=0.7, high=2.8), grade=0)
    made = replace(panel, after=few)
    assert figures_table(made).rows[2][2] == "0, next to none"
    assert words(made).tiles[2].detail == "considerable, then next to none"


def test_tables_have_a_cell_under_each_head(panel: Panel, one_state: Panel) -> None:
    for made in (panel, one_state):
        for table in (figures_table(made), kinds_table(made), overview((made, made))):
            assert {len(row) for row in table.rows} == {len(table.head)}


def test_a_kind_that_is_not_known_is_not_zero(panel: Panel) -> None:
    bare = replace(panel, before=replace(panel.before, kinds={}), kind_corrections={})
    swirls = kinds_table(bare).rows[0]
    assert swirls[1] == "not known"
    assert swirls[3] == "undefined"
