"""The two scales that photos are judged on, and the anchor pictures of the first."""

from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from pathlib import Path

from defectscan.measurement.state import GRADE_LIMITS_MM_PER_CM2
from defectscan.report.summary import GRADE_WORDS

# Raters and reports call a grade the same: 0 is not "none", for some lines are left in it.
WORDS = GRADE_WORDS
# Near the middle of each step, in ratio.
ANCHOR_DENSITIES_MM_PER_CM2 = (0.8, 4.5, 17.0, 49.0, 126.0, 300.0)
_FOLDER = Path(__file__).parent / "anchors"


class Scale(StrEnum):
    """What is asked of a rater."""

    QUANTITY = "quantity"
    CORRECTION = "correction"


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """What grades a scale takes.

    Attributes
    ----------
    low, high
        Least and largest grade.
    step
        Between neighbouring grades; 0 where any number between is a grade.
    unit
        As it is written after a grade.
    """

    low: float
    high: float
    step: float
    unit: str

    def takes(self, grade: float) -> bool:
        """Return whether a number is a grade."""
        return self.low <= grade <= self.high and (not self.step or grade % self.step == 0)

    @property
    def told(self) -> str:
        """Say what is taken."""
        whole = "whole numbers" if self.step else "numbers"
        return f"{whole} from {self.low:g} to {self.high:g}"


SPANS = {
    Scale.QUANTITY: Span(low=0, high=5, step=1, unit=""),
    # Below nought where a pass has added more lines than it took off.
    Scale.CORRECTION: Span(low=-100, high=100, step=0, unit=" %"),
}


def anchor_pictures() -> tuple[bytes, ...]:
    """Return one JPEG a step: black panels, rendered, under the same lamp."""
    return tuple((_FOLDER / f"{grade}.jpg").read_bytes() for grade in range(len(WORDS)))


def limits_told() -> tuple[str, ...]:
    """Say for each step which line densities it stands for."""
    bounds = [f"{limit:g}" for limit in GRADE_LIMITS_MM_PER_CM2]
    inner = [f"{a} to {b}" for a, b in pairwise(bounds)]
    return (f"up to {bounds[0]}", *inner, f"over {bounds[-1]}")
