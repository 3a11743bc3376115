"""The next pass: each answer, its reason, and a small run of the benchmark."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from defectscan.workshop.answer import Answer
from defectscan.workshop.decision import Decision, decide
from defectscan.workshop.evidence import Figure, UnusableFiguresError, log_density, with_interval
from defectscan.workshop.film import Film, average_states
from defectscan.workshop.outlook import PanelState, WorkshopLimits
from tests.benchmarks import next_pass

LIMITS = WorkshopLimits(target_density_mm_per_cm2=40, reserve_um=90, largest_removal_um=12)


def density(value: float, sd: float = 0.08) -> Figure:
    return Figure(value=value, low=value * math.exp(-1.96 * sd), high=value * math.exp(1.96 * sd))


def films(means_um: Sequence[float]) -> tuple[Film | None, ...]:
    """Return films of five spots, the thinnest 4 um under the mean."""
    offsets = {"a": -4.0, "b": -1.0, "c": 0.0, "d": 2.0, "e": 3.0}
    rng = np.random.default_rng(0)
    return average_states(
        [
            {name: list(mean + off + rng.normal(0, 0.3, 3)) for name, off in offsets.items()}
            for mean in means_um
        ]
    )


def panel(
    densities: Sequence[float], film_um: Sequence[float] | None = None, *, sd: float = 0.08
) -> list[PanelState]:
    read = [None] * len(densities) if film_um is None else films(film_um)
    names = ["before", *(f"after pass {n}" for n in range(1, len(densities)))]
    return [
        PanelState(name=name, density_mm_per_cm2=density(value, sd), shots=2, film=film)
        for name, value, film in zip(names, densities, read, strict=True)
    ]


def answered(states: Sequence[PanelState], limits: WorkshopLimits = LIMITS) -> Decision:
    return decide(states, np.random.default_rng(1), limits=limits)


def test_done_where_the_upper_limit_is_under_the_target() -> None:
    decision = answered(panel([200, 80, 30], [110, 108, 106]))
    assert decision.answer is Answer.DONE
    assert "30 mm/cm2 (25.6 to 35.1)" in decision.reason
    assert "target of 40" in decision.reason


def test_another_pass_where_over_the_target_and_the_film_allows() -> None:
    decision = answered(panel([200, 130, 85], [110, 109, 108]))
    assert decision.answer is Answer.ANOTHER_PASS
    expected = decision.expectation
    assert expected.next_density_mm_per_cm2 is not None
    assert expected.next_density_mm_per_cm2.low < 55 < expected.next_density_mm_per_cm2.high
    assert expected.pass_film_um is not None
    assert expected.pass_film_um.value == pytest.approx(1, abs=0.25)
    assert expected.thinnest_after_um is not None
    assert expected.thinnest_after_um.value == pytest.approx(103, abs=0.6)
    # ln(200/85) = 0.856 for 2 um.
    assert expected.depth_um is not None
    assert expected.depth_um.low < 2 / 0.856 < expected.depth_um.high
    assert "um" in decision.reason


def test_finer_pass_where_swirls_are_done_and_trails_left() -> None:
    states = panel([200, 130, 60], [110, 109, 108])
    states[-1] = replace(
        states[-1], swirl_mm_per_cm2=density(20), machine_trail_mm_per_cm2=density(38)
    )
    decision = answered(states)
    assert decision.answer is Answer.FINER_PASS
    assert "machine trails of 38" in decision.reason


def test_finer_pass_where_swirls_are_done_and_haze_is_raised() -> None:
    states = panel([200, 80, 25], [110, 109, 108])
    states[0] = replace(states[0], haze=Figure(value=0.02, low=0.015, high=0.025))
    states[-1] = replace(states[-1], haze=Figure(value=0.05, low=0.04, high=0.06))
    assert answered(states).answer is Answer.FINER_PASS
    states[-1] = replace(states[-1], haze=Figure(value=0.03, low=0.02, high=0.04))
    assert answered(states).answer is Answer.DONE


def test_no_finer_pass_without_film() -> None:
    states = panel([200, 130, 60], [97, 96, 95])
    states[-1] = replace(
        states[-1], swirl_mm_per_cm2=density(20), machine_trail_mm_per_cm2=density(38)
    )
    assert answered(states, replace(LIMITS, reserve_um=95)).answer is Answer.STOP


def test_stop_where_the_reserve_would_be_touched() -> None:
    decision = answered(panel([200, 130, 85], [96, 95, 94]))
    assert decision.answer is Answer.STOP
    assert "reserve of 90 um" in decision.reason


def test_stop_where_all_that_may_be_removed_is_off() -> None:
    decision = answered(
        panel([200, 130, 85], [110, 109, 108]), replace(LIMITS, largest_removal_um=2.2)
    )
    assert decision.answer is Answer.STOP
    assert "at most 2.2 um" in decision.reason


def test_stop_where_what_is_left_is_deeper_than_may_be_removed() -> None:
    decision = answered(
        panel([200, 185, 170], [110, 109, 108]), replace(LIMITS, largest_removal_um=6)
    )
    assert decision.answer is Answer.STOP
    assert "deeper" in decision.reason


def test_more_shots_where_the_target_lies_within_the_interval() -> None:
    states = panel([200, 80, 45.5], [110, 108, 106])
    decision = answered(states)
    assert decision.answer is Answer.NOT_ENOUGH_EVIDENCE
    assert decision.more_shots is not None
    assert f"take {decision.more_shots} more shot" in decision.reason
    # So many more, with the same value, and it is settled; one fewer, and it is not.
    for more, settled in ((decision.more_shots, True), (decision.more_shots - 1, False)):
        sd = math.hypot(0.05, math.sqrt(0.08**2 - 0.05**2) * math.sqrt(2 / (2 + more)))
        again = [*states[:-1], replace(states[-1], density_mm_per_cm2=density(45.5, sd))]
        assert (answered(again).answer is not Answer.NOT_ENOUGH_EVIDENCE) is settled


def test_no_number_of_shots_is_promised_where_none_would_do() -> None:
    decision = answered(panel([200, 80, 40.2], [110, 108, 106]))
    assert decision.answer is Answer.NOT_ENOUGH_EVIDENCE
    assert decision.more_shots is None


def test_more_readings_where_the_film_is_open() -> None:
    decision = answered(panel([200, 130, 85], [97, 96.1, 95.3]))
    assert decision.answer is Answer.NOT_ENOUGH_EVIDENCE
    assert decision.more_shots is None
    assert "film allows a pass is open" in decision.reason


def test_without_readings_the_film_is_unknown() -> None:
    decision = answered(panel([200, 130, 85]))
    assert decision.answer is Answer.ANOTHER_PASS
    assert "film is unknown" in decision.reason
    assert any(caution.startswith("The film thickness is unknown") for caution in decision.cautions)
    expected = decision.expectation
    assert expected.pass_film_um is None
    assert expected.depth_um is None
    assert expected.target_film_um is None
    assert expected.surviving_percent is not None
    assert expected.surviving_percent.low < 65 < expected.surviving_percent.high
    assert decision.picture.along == "passes"
    assert decision.picture.most_um is None


def test_the_workshops_own_figure_stands_in_for_readings() -> None:
    own = replace(LIMITS, usual_cut_um=Figure(value=2.5, low=2.0, high=3.1), largest_removal_um=4)
    decision = answered(panel([200, 130, 85]), own)
    assert decision.answer is Answer.STOP
    assert decision.expectation.thinnest_um is None
    assert any("own figure" in caution for caution in decision.cautions)


def test_an_own_figure_that_leaves_it_open_asks_for_readings() -> None:
    own = replace(LIMITS, usual_cut_um=Figure(value=2.5, low=2.0, high=3.1), largest_removal_um=7)
    decision = answered(panel([200, 130, 85]), own)
    assert decision.answer is Answer.NOT_ENOUGH_EVIDENCE
    assert "read the film" in decision.reason


def test_before_the_first_pass_nothing_is_foretold() -> None:
    decision = decide(panel([200], [110]), np.random.default_rng(1))
    assert decision.answer is Answer.ANOTHER_PASS
    assert decision.expectation.next_density_mm_per_cm2 is None
    assert decision.picture.predicted is None
    assert any("test spot" in note for note in decision.notes)


def test_one_pass_only_says_that_it_is_wide() -> None:
    decision = answered(panel([200, 130], [110, 109]))
    assert any(note.startswith("One pass only") for note in decision.notes)


def test_a_target_correction_counts_from_the_first_state() -> None:
    limits = WorkshopLimits(target_correction_percent=80, reserve_um=90, largest_removal_um=12)
    assert answered(panel([200, 80, 25], [110, 108, 106]), limits).answer is Answer.DONE
    over = answered(panel([200, 130, 85], [110, 109, 108]), limits)
    assert over.answer is Answer.ANOTHER_PASS
    open_one = answered(panel([200, 80, 37], [110, 108, 106]), limits)
    assert open_one.answer is Answer.NOT_ENOUGH_EVIDENCE
    paired = decide(
        panel([200, 80, 37], [110, 108, 106]),
        np.random.default_rng(1),
        limits=limits,
        correction_percent=Figure(value=81.5, low=80.4, high=82.5),
    )
    assert paired.answer is Answer.DONE


def test_at_least_is_written_so_and_its_side_of_the_target_tells_the_shots() -> None:
    limits = WorkshopLimits(target_correction_percent=80, reserve_um=90, largest_removal_um=12)
    bounded = Figure(value=92, low=79, high=100, at_least=True)
    decision = decide(
        panel([200, 80, 16], [110, 108, 106]),
        np.random.default_rng(1),
        limits=limits,
        correction_percent=bounded,
    )
    assert decision.answer is Answer.NOT_ENOUGH_EVIDENCE
    assert "Correction at least 79 % against" in decision.reason
    assert decision.more_shots == 1
    nothing_told = Figure(value=60, low=-80, high=100, at_least=True)
    assert with_interval(nothing_told, "%") == "too little to tell"


def test_limits_that_are_not_the_workshops_own_are_marked() -> None:
    usual = decide(panel([200, 130], [110, 109]), np.random.default_rng(1))
    assert len(usual.assumptions) == 3
    assert all("without a source" in line for line in usual.assumptions)
    assert answered(panel([200, 130], [110, 109])).assumptions == ()


@pytest.mark.parametrize("material", ["painted plastic", "bare metal", "trim", "lamp lens"])
def test_other_materials_have_their_own_caution(material: str) -> None:
    decision = decide(panel([200, 130]), np.random.default_rng(1), material=material)
    assert any(caution.lower().startswith(material) for caution in decision.cautions)


def test_every_answer_defers_and_minds_edges_and_body_lines() -> None:
    for states in (panel([200, 80, 30]), panel([200]), panel([200, 130, 85], [96, 95, 94])):
        cautions = answered(states).cautions
        assert "never orders a pass by itself" in cautions[0]
        assert any(caution.startswith("Edges") for caution in cautions)
        assert any(caution.startswith("Body lines") for caution in cautions)


def test_the_picture_holds_curve_band_target_and_reserve() -> None:
    picture = answered(panel([200, 130, 85], [110, 109, 108])).picture
    assert picture.along == "film taken off, um"
    assert np.all(picture.low <= picture.curve)
    assert np.all(picture.curve <= picture.high)
    assert np.all(np.diff(picture.curve) < 0)
    assert len(picture.points) == 3
    assert picture.points[-1].along.value == pytest.approx(2, abs=0.3)
    assert picture.target_mm_per_cm2 is not None
    assert picture.target_mm_per_cm2.value == pytest.approx(40)
    assert picture.most_um is not None
    assert picture.most_um.value == pytest.approx(12, abs=0.1)


def test_less_film_never_turns_a_stop_into_a_pass() -> None:
    order = [Answer.STOP, Answer.NOT_ENOUGH_EVIDENCE, Answer.ANOTHER_PASS]
    ranks = [
        order.index(answered(panel([200, 130, 85], [m, m - 1, m - 2])).answer)
        for m in np.arange(94.5, 99, 0.4)
    ]
    assert ranks == sorted(ranks)
    assert set(ranks) == {0, 1, 2}


@pytest.mark.parametrize(
    "states",
    [
        [],
        [PanelState(name="x", density_mm_per_cm2=Figure(value=5, low=6, high=7))],
        [PanelState(name="x", density_mm_per_cm2=Figure(value=math.nan, low=0, high=7))],
        [PanelState(name="x", density_mm_per_cm2=Figure(value=0, low=0, high=0))],
    ],
)
def test_figures_that_are_none_are_refused(states: list[PanelState]) -> None:
    with pytest.raises(UnusableFiguresError):
        answered(states)


def test_two_targets_are_refused() -> None:
    with pytest.raises(UnusableFiguresError, match="two targets"):
        WorkshopLimits(target_density_mm_per_cm2=40, target_correction_percent=80)


@pytest.mark.parametrize("film_um", [None, [120, 118.8]])
def test_a_worse_pass_never_foretells_a_better_next_one(film_um: list[float] | None) -> None:
    order = [Answer.ANOTHER_PASS, Answer.NOT_ENOUGH_EVIDENCE, Answer.STOP]
    usual = replace(LIMITS, target_density_mm_per_cm2=30, largest_removal_um=6)
    decisions = [
        answered(panel([200, after], film_um), usual)
        for after in (60, 120, 180, 200, 215, 230, 245, 260, 300, 400, 800)
    ]
    foretold = [decision.expectation.next_density_mm_per_cm2 for decision in decisions]
    known = [figure.value for figure in foretold if figure is not None]
    assert len(known) == 7  # and nothing is foretold once the density has surely risen
    assert known == sorted(known)
    ranks = [order.index(decision.answer) for decision in decisions]
    assert ranks == sorted(ranks)
    cuts = [decision.expectation.pass_film_um for decision in decisions]
    assert film_um is None or max(cut.value for cut in cuts if cut is not None) < 1.5


def test_after_a_sure_rise_nothing_is_foretold() -> None:
    decision = answered(panel([200, 100, 160], [120, 119, 118]))
    assert decision.answer is Answer.NOT_ENOUGH_EVIDENCE
    assert "the density is surely higher than after pass 1" in decision.reason
    assert "try another pad on a test spot" in decision.reason
    expected = decision.expectation
    assert expected.next_density_mm_per_cm2 is None
    assert expected.next_correction_percent is None
    assert expected.surviving_percent is None
    assert (expected.passes_to_target, expected.target_film_um) == (None, None)
    assert expected.pass_film_um is not None
    assert decision.picture.predicted is None
    # The correction line by line may be surer than the two densities.
    states, limits = panel([100, 110]), WorkshopLimits(target_correction_percent=80)
    assert answered(states, limits).answer is Answer.ANOTHER_PASS
    worse = Figure(value=-10, low=-18, high=-3)
    rng = np.random.default_rng(1)
    decision = decide(states, rng, limits=limits, correction_percent=worse)
    assert decision.answer is Answer.NOT_ENOUGH_EVIDENCE


def test_after_a_sure_rise_film_that_does_not_reach_says_stop() -> None:
    decision = answered(panel([200, 300], [110, 108.8]), replace(LIMITS, largest_removal_um=6))
    assert decision.answer is Answer.STOP
    assert decision.reason.startswith("The density is surely higher than before, and 4.")


def test_a_density_of_nothing_counts_as_a_part_of_its_upper_limit() -> None:
    figure = log_density(Figure(value=0, low=0, high=8), "it")
    assert math.exp(figure.middle + 1.96 * figure.sd) == pytest.approx(8, rel=1e-4)
    states = panel([200, 80, 30])
    states[-1] = replace(states[-1], density_mm_per_cm2=Figure(value=0, low=0, high=8))
    assert answered(states).answer is Answer.DONE


def test_a_small_run_of_the_benchmark() -> None:
    rows = next_pass.run_cases(7, cases=60)
    assert 0.9 <= next_pass.coverage(rows) <= 1
    assert next_pass.agreement(rows) >= 0.9
    assert next_pass.held_back(rows) > 0.5
    wrong = {
        (row.full_answer, row.answer)
        for row in rows
        if row.clear and row.answer not in (row.full_answer, Answer.NOT_ENOUGH_EVIDENCE)
    }
    assert wrong == set()
