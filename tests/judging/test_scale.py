"""The scales, and the anchor pictures: as the renderer draws them, one for each step."""

import io

import numpy as np
from PIL import Image

from defectscan.judging.candidates import grade_of
from defectscan.judging.scale import (
    ANCHOR_DENSITIES_MM_PER_CM2,
    SPANS,
    WORDS,
    Scale,
    anchor_pictures,
    limits_told,
)
from defectscan.report.summary import grade_in_words
from defectscan.simulation.deck_photos import render_anchors


def test_each_anchor_stands_for_its_own_step() -> None:
    assert [grade_of(d) for d in ANCHOR_DENSITIES_MM_PER_CM2] == list(range(6))
    assert len(limits_told()) == len(WORDS) == 6
    assert limits_told()[1] == "2 to 10"


def test_a_grade_is_called_what_the_report_calls_it() -> None:
    assert [grade_in_words(grade) for grade in range(6)] == [
        f"{grade}, {word}" for grade, word in enumerate(WORDS)
    ]


def test_the_anchor_pictures_are_what_the_renderer_draws() -> None:
    kept = anchor_pictures()
    assert len(set(kept)) == 6
    (drawn,) = render_anchors(ANCHOR_DENSITIES_MM_PER_CM2[:1], width_px=480)
    one, other = (
        np.asarray(Image.open(io.BytesIO(data)).convert("L"), dtype=float)
        for data in (kept[0], drawn)
    )
    assert np.abs(one - other).mean() < 1


def test_what_a_scale_takes() -> None:
    quantity, correction = SPANS[Scale.QUANTITY], SPANS[Scale.CORRECTION]
    assert [quantity.takes(g) for g in (0, 5, 2.5, 6, -1)] == [True, True, False, False, False]
    assert [correction.takes(g) for g in (-100, 62.5, 100.1)] == [True, True, False]
