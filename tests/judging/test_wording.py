"""Results in words: what rounding must not make of a figure."""

import pytest

from defectscan.judging.wording import fixed


@pytest.mark.parametrize(
    ("value", "places", "text"),
    [
        (0.004, 2, "0.004"),
        (-0.0004, 2, "\N{MINUS SIGN}0.0004"),
        (0.04, 1, "0.04"),
        (0.3, 0, "0.3"),
        (0.999, 2, "0.99"),
        (12.34, 1, "12.3"),
        (1.0, 2, "1.00"),
        (0.0, 2, "0.00"),
        (-1e-17, 2, "0.00"),
    ],
)
def test_rounding_makes_no_1_or_0(value: float, places: int, text: str) -> None:
    assert fixed(value, places) == text
