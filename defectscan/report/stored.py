"""From the records that the job book keeps to a report's content: the figures as they were."""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from defectscan.flags import Flag as KnownFlag
from defectscan.report import content
from defectscan.report.content import KINDS, UNKNOWN, Estimate
from defectscan.report.wording import typed
from defectscan.report.words import more_shots_sentences

Record = Mapping[str, Any]
Names = Mapping[str, str]
NO_PICTURE = content.Picture(image=np.zeros((0, 0, 3), np.uint8))
_LONGEST_REASON = 400
# A photo of the book, with or without its folder, as messages name it.
_KEPT_PHOTO = re.compile(r"(?:\S*?[\\/][^:;]*?)?([0-9a-f]{64})(?:\.[a-z0-9]+)?")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drawn:
    """What is drawn of a state, apart from its figures: picture, directions, ground covered."""

    picture: content.Picture = NO_PICTURE
    directions: Any = None
    coverage: content.Coverage | None = None


def estimate(told: Record | None) -> Estimate:
    """Return a stored interval."""
    value, low, high = (_number((told or {}).get(name)) for name in ("value", "low", "high"))
    return UNKNOWN if value is None else Estimate(value=value, low=low, high=high)


def correction(record: Record) -> Estimate:
    """Return the correction of a stored comparison."""
    found = estimate(record.get("correction_percent"))
    return _bounded(found) if record.get("correction_is_at_least") else found


def kind_corrections(record: Record) -> dict[content.Kind, Estimate]:
    """Return the corrections by kind of a stored comparison."""
    told = record.get("kind_corrections_percent") or {}
    found = {kind: estimate(told[kind]) for kind in KINDS if kind in told}
    return {
        kind: _bounded(each) if _kind_is_at_least(record, kind) else each
        for kind, each in found.items()
    }


def _kind_is_at_least(record: Record, kind: content.Kind) -> bool:
    marks = record.get("kind_corrections_are_at_least")
    if marks is not None:
        return bool(marks.get(kind))
    # An older record does not say so; what is left of the kind may be under what photos show.
    after = record.get("after") or {}
    kinds, unit = ("kinds", "mm_per_cm2") if has_scale(after) else ("kinds_per_px", "per_px")
    left = estimate((after.get(kinds) or {}).get(kind)).value
    limit = _number(after.get(f"detection_limit_{unit}"))
    return left is not None and left <= (limit or 0.0)


def _bounded(found: Estimate) -> Estimate:
    return found if found.low is None else replace(found, at_least=found.low)


def more_shots(record: Record) -> tuple[str, ...]:
    """Say how many more shots would have made a stored correction surer."""
    key = "more_shots_for_3_points"
    if key not in record or correction(record) == UNKNOWN:
        return ()
    return tuple(more_shots_sentences(record[key]))


def has_scale(record: Record) -> bool:
    """Tell whether a stored score is in mm/cm²."""
    return record.get("line_density_mm_per_cm2") is not None


def detection_limit(record: Record) -> float | None:
    """Return the detection limit of a stored score, in mm/cm² where its scale is known."""
    unit = "mm_per_cm2" if has_scale(record) else "per_px"
    return _number(record.get(f"detection_limit_{unit}"))


def state(record: Record, *, names: Names, drawn: Drawn) -> content.State:
    """Return a stored score as a state of a report.

    Parameters
    ----------
    record
        As the job book keeps it.
    names
        Names under which photos were entered, by SHA-256.
    drawn
        Its picture.
    """
    scaled = has_scale(record)
    unit = "mm_per_cm2" if scaled else "per_px"
    kinds = record.get("kinds" if scaled else "kinds_per_px") or {}
    return content.State(
        picture=drawn.picture,
        line_density=estimate(record.get(f"line_density_{unit}")),
        detection_limit=detection_limit(record),
        grade=_number(record.get("grade")),
        kinds={kind: estimate(kinds[kind]) for kind in KINDS if kinds.get(kind)},
        haze=estimate(record.get("haze")),
        directions=drawn.directions,
        photos=tuple(_conditions(shot, names) for shot in record.get("shots") or ()),
        flags=flags(record),
        coverage=drawn.coverage,
    )


def flags(record: Record) -> tuple[content.Flag, ...]:
    """Return the doubts that a stored result carries."""
    return tuple(
        content.Flag(
            name=str(flag.get("name", "")),
            text=str(flag.get("text", "")),
            advice=str(flag.get("advice", "")),
        )
        for flag in record.get("flags") or ()
    )


def set_aside(record: Record, names: Names) -> tuple[str, ...]:
    """Say which photos of a stored score could not be used, and why."""
    return tuple(
        typed(with_entered_names(str(one.get("reason", "")), names), _LONGEST_REASON).rstrip(".")
        for one in record.get("set_aside") or ()
    )


def with_entered_names(text: str, names: Names) -> str:
    """Put the names that photos were entered under for the files that the book keeps."""
    return _KEPT_PHOTO.sub(lambda found: names.get(found[1], "a photo"), text)


def _conditions(shot: Record, names: Names) -> content.PhotoConditions:
    sha256 = str(shot.get("sha256", ""))
    scale, area = _number(shot.get("mm_per_px")), _number(shot.get("zone_area_px"))
    spot = shot.get("highlight")
    return content.PhotoConditions(
        file=typed(names.get(sha256) or str(shot.get("file", ""))),
        sha256=sha256,
        width_px=int(shot.get("width_px") or 0),
        height_px=int(shot.get("height_px") or 0),
        mm_per_px=scale,
        exposure_time_s=_number(shot.get("exposure_time_s")),
        f_number=_number(shot.get("f_number")),
        iso=_number(shot.get("iso_speed")),
        focal_length_mm=_number(shot.get("focal_length_mm")),
        highlight=None if not spot else content.Highlight(**spot),
        glint_radius_px=_number(shot.get("glint_radius_px")),
        zone_area_cm2=None if scale is None or area is None else area * scale**2 / 100,
        n_lines=shot.get("n_lines"),
        flags=tuple(_flag(str(name)) for name in shot.get("flags") or ()),
    )


def _flag(name: str) -> content.Flag:
    """Return a flag by its name; one of another version of the program has a name alone."""
    known = KnownFlag.__members__.get(name.upper())
    if known is None:
        return content.Flag(name=name, text="")
    return content.Flag(name=name, text=known.text, advice=known.advice)


def _number(value: Any) -> float | None:  # noqa: ANN401 - JSON
    is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
    return float(value) if is_number and math.isfinite(value) else None
