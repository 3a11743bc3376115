"""What a statistic says: a value with its interval or the reason why there is none; verdicts."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from defectscan.errors import DefectscanError


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A statistic with its 95 % interval.

    Attributes
    ----------
    value, low, high
        In the unit of the quantity. `low` and `high` are both `None` where the data give a value
        but cannot say how sure it is.
    caution
        What to know before relying on it; empty where there is nothing.
    """

    value: float
    low: float | None
    high: float | None
    caution: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Undefined:
    """No number: it would be nought by nought.

    Attributes
    ----------
    reason
        In one line, for the reader of a report.
    """

    reason: str


Result = Estimate | Undefined


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Words for the size of a statistic; a workshop may set its own.

    Attributes
    ----------
    words
        In the order of rising values, one more than bounds.
    bounds
        Rising; a value at a bound earns the word above it.
    source
        Where the limits come from.
    small_is_good
        Whether the first word is the best one.
    """

    words: tuple[str, ...]
    bounds: tuple[float, ...]
    source: str = "the workshop's own limits"
    small_is_good: bool = False

    def __post_init__(self) -> None:
        rising = all(a < b for a, b in pairwise(self.bounds))
        if len(self.words) != len(self.bounds) + 1 or not rising:
            raise DefectscanError(
                f"limits {self.bounds} with words {self.words}",
                allowed="bounds rise, and there is one word more than bounds",
                remedy="correct the workshop's limits",
            )

    def word(self, value: float) -> str:
        """Return the word for a value."""
        return self.words[int(np.searchsorted(self.bounds, value, side="right"))]


# The paper prints 0-.20, .21-.40 and so on: what lies between goes with the figure it rounds to.
LANDIS_KOCH = Limits(
    words=("poor", "slight", "fair", "moderate", "substantial", "almost perfect"),
    bounds=(0.0, 0.205, 0.405, 0.605, 0.805),
    source="Landis and Koch 1977, Biometrics 33:159",
)
KOO_LI = Limits(
    words=("poor", "moderate", "good", "excellent"),
    bounds=(0.5, 0.75, 0.9),
    source="Koo and Li 2016, J Chiropr Med 15:155",
)
ALPHA_LIMITS = Limits(
    words=("not to be relied on", "tentative", "reliable"),
    bounds=(0.667, 0.8),
    source="common practice, without a source",
)
GAUGE_LIMITS_PERCENT = Limits(
    words=("acceptable", "acceptable for some uses", "not acceptable"),
    bounds=(10.0, 30.0),
    source="common practice, without a source",
    small_is_good=True,
)
DISTINCT_LIMITS = Limits(
    words=("too few steps told apart", "enough steps told apart"),
    bounds=(5.0,),
    source="common practice, without a source",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """A statistic in words.

    Attributes
    ----------
    word
        For the value.
    surely
        For the worse end of the interval, which is what the data vouch for; empty where they
        vouch for nothing.
    text
        Both in one phrase.
    source
        Where the limits come from.
    """

    word: str
    surely: str
    text: str
    source: str


def judge(result: Result, limits: Limits) -> Verdict:
    """Return the verdict on a statistic: its interval counts, not its value alone.

    Parameters
    ----------
    result
        The statistic.
    limits
        Words and bounds in its unit.

    Returns
    -------
    Verdict
        Of an undefined statistic, without words but with the reason as its text.
    """
    if isinstance(result, Undefined):
        return Verdict(word="", surely="", text=f"undefined: {result.reason}", source=limits.source)
    word = limits.word(result.value)
    if result.low is None or result.high is None:
        text = f"{word} as counted, but without an interval"
        return Verdict(word=word, surely="", text=text, source=limits.source)
    ends = [limits.word(result.low), limits.word(result.high)]
    worse, better = reversed(ends) if limits.small_is_good else ends
    text = word if worse == better else f"between {worse} and {better}"
    return Verdict(word=word, surely=worse, text=text, source=limits.source)


def not_ruled_out(n: int) -> float:
    """Return the share of photos with an event that n photos without it cannot rule out."""
    return float(1 - 0.025 ** (1 / n))
