"""Photos that may go into a deck, with what is known of them."""

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from defectscan.judging.scale import Scale
from defectscan.measurement.comparison import Correction
from defectscan.measurement.state import GRADE_LIMITS_MM_PER_CM2

Pixels = NDArray[np.uint8]

# Median of the paint's linear luminance as exposed: white comes out near 0.3, black near 0.05.
DARK_BELOW, LIGHT_ABOVE = 0.09, 0.19
MANY_FROM_GRADE = 3
MUCH_FROM_PERCENT = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """What a photo is measured at, or truly is, on the deck's scale.

    Attributes
    ----------
    value, low, high
        Grade or percent, with the 95 % interval where there is one.
    source
        "true" of a rendered photo, "measured" of any other.
    density_mm_per_cm2
        Line density of the state, or of the one after; `None` where the scale is unknown.
    detection_limit_mm_per_cm2
        Of that density, where it was measured; under it, no more than "under" is known.
    at_least
        Whether a correction is known from `low` upwards alone, because what is left lies under
        its detection limit: `value` then stands for nothing.
    """

    value: float
    low: float | None
    high: float | None
    source: Literal["true", "measured"]
    density_mm_per_cm2: float | None = None
    detection_limit_mm_per_cm2: float | None = None
    at_least: bool = False

    @property
    def bound(self) -> float | None:
        """Return the lower limit where it alone is known."""
        return self.low if self.at_least else None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class View:
    """One photo as it is shown.

    Attributes
    ----------
    rgb
        sRGB, shape (H, W, 3).
    lines
        Where its lines are, shape (h, w) in any size of the same frame; `None` where not known.
    """

    rgb: Pixels
    lines: NDArray[np.bool_] | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidate:
    """A photo, or a pair before and after.

    Attributes
    ----------
    ident
        SHA-256 over the photos' files: the same photo is known in every deck.
    name
        What the user calls it; for the key alone.
    views
        One photo, or the ones before and after.
    reference
        Its value, if it is known.
    unknown
        Why not, in one line.
    look
        What to look for in it, for practice.
    """

    ident: str
    name: str
    views: tuple[View, ...]
    reference: Reference | None
    unknown: str = ""
    look: str = ""


def grade_of(density_mm_per_cm2: float) -> int:
    """Return the grade of a line density.

    Examples
    --------
    >>> [grade_of(density) for density in (0, 5, 500)]
    [0, 1, 5]
    """
    return int(np.searchsorted(GRADE_LIMITS_MM_PER_CM2, density_mm_per_cm2))


def correction_reference(
    correction: Correction, density: float | None, *, limit: float | None = None
) -> Reference | None:
    """Return a measured correction as a reference; `None` where it is undefined.

    At least a negative one says nothing to hold a grade against, and is none either.

    Parameters
    ----------
    correction
        From a comparison.
    density, limit
        Line density after and its detection limit, mm per cm².
    """
    percent = correction.percent
    if percent is None or (correction.at_least and percent.low < 0):
        return None
    value = float(np.clip(percent.value, -100, 100))
    return Reference(
        value=value,
        low=percent.low,
        high=percent.high,
        source="measured",
        density_mm_per_cm2=density,
        detection_limit_mm_per_cm2=limit,
        at_least=correction.at_least,
    )


def groups_of(candidate: Candidate, scale: Scale) -> dict[str, str]:
    """Sort a photo by its paint's brightness and by how much there is on it."""
    groups = {"paint": paint_group(candidate.views[0].rgb)}
    reference = candidate.reference
    if reference is not None and scale is Scale.QUANTITY:
        groups["amount"] = "many lines" if reference.value >= MANY_FROM_GRADE else "few lines"
    elif reference is not None:
        known = reference.value if reference.bound is None else reference.bound
        if known >= MUCH_FROM_PERCENT:
            groups["amount"] = "much corrected"
        elif not reference.at_least:
            groups["amount"] = "little corrected"
    return groups


def paint_group(rgb: Pixels) -> str:
    """Name the paint by the photo's middling light: dark, medium or light."""
    channels = np.median(rgb.reshape(-1, 3), axis=0) / 255
    linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    light = float(linear @ (0.2126, 0.7152, 0.0722))
    return f"{'dark' if light < DARK_BELOW else 'light' if light > LIGHT_ABOVE else 'medium'} paint"


def hint(kinds_mm_per_cm2: dict[str, float], *, paint: str, grade: float | None) -> str:
    """Say what to look for in a photo.

    Parameters
    ----------
    kinds_mm_per_cm2
        Line density by kind.
    paint
        As `paint_group` names it.
    grade
        On the 0 to 5 scale; `None` of a pair.
    """
    kinds: dict[str, Any] = {"swirl": 0.0, "deep_scratch": 0.0, "machine_trail": 0.0}
    kinds |= kinds_mm_per_cm2
    total = sum(kinds.values())
    told = []
    if paint == "light paint":
        told.append(
            "On light paint lines are faint: zoom in close to the lamp's bright spot, where they "
            "are strongest, and go round it once."
        )
    elif paint == "dark paint":
        told.append(
            "On dark paint every line shines: judge how many there are, not how bright they are."
        )
    if total and kinds["deep_scratch"] > 0.25 * total:
        told.append("A few long, bright scratches draw the eye; count the fine lines beside them.")
    if total and kinds["machine_trail"] > 0.25 * total:
        told.append("Many lines run the same way, as a machine leaves them: they count, too.")
    if grade is not None and grade <= 1:
        told.append("Single points are dust or flakes, not lines: a line is longer than wide.")
    if grade is not None and grade >= 4:
        told.append("Compare how far the rings round the lamp are filled, far out as well.")
    if not told and grade is None:
        told.append("Follow the same ring round the lamp in both photos, and count what is left.")
    elif not told:
        told.append("Follow one ring round the lamp and compare it with the anchor pictures.")
    return " ".join(told)
