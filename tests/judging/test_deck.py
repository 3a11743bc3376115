"""Decks: the order, the repeats, and what may not be in them."""

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from defectscan.errors import DefectscanError
from defectscan.judging.candidates import (
    Candidate,
    Reference,
    View,
    correction_reference,
    groups_of,
    hint,
    paint_group,
)
from defectscan.judging.deck import BUDGET_BYTES, _order, build_deck, key_to_json
from defectscan.judging.scale import Scale
from defectscan.measurement.comparison import Correction
from defectscan.measurement.score import Interval
from tests.judging.conftest import candidate, deck_of


@given(st.integers(2, 60), st.data(), st.integers(0, 99))
@settings(max_examples=60, deadline=None)
def test_each_photo_comes_once_and_some_twice_far_apart(
    n: int, data: st.DataObject, seed: int
) -> None:
    repeats = data.draw(st.integers(0, n))
    order = _order(n, repeats, np.random.default_rng(seed))
    assert len(order) == n + repeats
    counts = np.bincount(order, minlength=n)
    assert sorted(counts.tolist()) == [1] * (n - repeats) + [2] * repeats
    for photo in np.flatnonzero(counts == 2):
        first, second = (i for i, one in enumerate(order) if one == photo)
        # At least a third of the photos lie between, or all that are shown twice.
        assert second - first >= min(n // 3, max(repeats, 1))


def test_another_seed_is_another_order_and_the_same_seed_the_same_deck() -> None:
    values = list(range(6)) * 3
    one, same, other = (deck_of(values, seed=s) for s in (1, 1, 2))
    assert one.key == same.key
    assert one.cards == same.cards
    assert one.key["cards"] != other.key["cards"]
    assert one.ident != other.ident


def test_a_repeat_is_not_told_by_its_bytes() -> None:
    deck = deck_of([0, 1, 2, 3], repeats=4)
    assert len({card.jpegs for card in deck.cards}) == 8


def test_a_blind_deck_holds_no_answers_and_a_practice_deck_does() -> None:
    assert all(card.answer is None and not card.overlays for card in deck_of([0, 3, 5]).cards)
    practice = deck_of([5, None, 3, 0], repeats=0, practice=True)
    assert len(practice.cards) == 3  # the one without a value is left out
    answers = [card.answer for card in practice.cards if card.answer is not None]
    assert [set(a) >= {"value", "look", "hard"} for a in answers] == [True] * 3
    assert [a["hard"] for a in answers] == sorted(a["hard"] for a in answers)
    assert all(
        overlay.startswith(b"\x89PNG") for card in practice.cards for overlay in card.overlays
    )


def test_the_key_knows_names_values_and_order() -> None:
    deck = deck_of([0, 1, 2, None], repeats=1)
    told = json.loads(key_to_json(deck.key))
    assert [p["reference"] and p["reference"]["value"] for p in told["photos"]] == [0, 1, 2, None]
    assert len(told["cards"]) == len(deck.cards) == 5
    assert all(len(p["pictures"]) == 1 for p in told["photos"])


@pytest.mark.parametrize(("n", "repeats"), [(1, 0), (3, 4), (301, 0)])
def test_decks_of_no_use_are_refused(n: int, repeats: int) -> None:
    one = candidate(1, 2)
    with pytest.raises(DefectscanError, match="the deck would hold"):
        build_deck([one] * n, title="", scale=Scale.QUANTITY, repeats=repeats, seed=0)


def test_thirty_large_photos_stay_within_the_budget() -> None:
    rng = np.random.default_rng(0)
    noise = rng.integers(0, 255, (1050, 1400, 3), dtype=np.uint8)  # the worst that JPEG can meet
    photos = [
        Candidate(
            ident=f"{i:064x}", name="", views=(View(rgb=np.roll(noise, i, 0)),), reference=None
        )
        for i in range(30)
    ]
    deck = build_deck(photos, title="", scale=Scale.QUANTITY, repeats=6, seed=0)
    assert sum(len(jpeg) for card in deck.cards for jpeg in card.jpegs) <= BUDGET_BYTES


def test_photos_are_sorted_by_paint_and_amount() -> None:
    assert groups_of(candidate(1, 4), Scale.QUANTITY) == {
        "paint": "dark paint",
        "amount": "many lines",
    }
    assert groups_of(candidate(2, 1), Scale.QUANTITY)["paint"] == "light paint"
    assert groups_of(candidate(2, 80, pair=True), Scale.CORRECTION)["amount"] == "much corrected"
    least = Reference(value=98.0, low=50.0, high=99.9, source="measured", at_least=True)
    unsure = replace(candidate(2, 80, pair=True), reference=least)
    assert "amount" not in groups_of(unsure, Scale.CORRECTION)
    assert paint_group(np.full((4, 4, 3), 110, np.uint8)) == "medium paint"


def test_a_correction_known_from_its_lower_limit_upwards_alone() -> None:
    percent = Interval(value=98.8, low=93.0, high=99.96)
    found = correction_reference(Correction(percent=percent, at_least=True), 0.4)
    assert found is not None
    assert (found.at_least, found.bound) == (True, 93.0)
    plain = correction_reference(Correction(percent=percent), 0.4)
    assert plain is not None
    assert plain.bound is None
    # At least less than none holds nothing against a grade.
    vague = Correction(percent=replace(percent, low=-20.0), at_least=True)
    assert correction_reference(vague, 0.4) is None


def test_what_to_look_for_follows_the_photo() -> None:
    trails = {"swirl": 10.0, "machine_trail": 10.0}
    assert "same way" in hint(trails, paint="medium paint", grade=3)
    assert "zoom in" in hint({}, paint="light paint", grade=None)
    assert "dust" in hint({"swirl": 1.0}, paint="dark paint", grade=0)
    assert "anchor pictures" in hint({}, paint="medium paint", grade=3)
    assert "both photos" in hint({}, paint="medium paint", grade=None)
