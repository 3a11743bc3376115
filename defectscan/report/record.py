"""The figures as JSON, by keys that others rely on: numbers unrounded, null for unknown."""

from typing import Any

from defectscan.flags import Doubt
from defectscan.measurement.comparison import Correction, Fate
from defectscan.measurement.coverage import coverage
from defectscan.measurement.kinds import Kind
from defectscan.measurement.score import Interval
from defectscan.measurement.state import MeasuredShot, PanelScore
from defectscan.output import to_json
from defectscan.pipeline import Comparison
from defectscan.version import __version__

FOLLOWED = (Fate.REMOVED, Fate.REMAINING, Fate.NEW)
FILES = ("report.html", "report.pdf", "result.json")


def files(n_panels: int = 1) -> tuple[str, ...]:
    """Return the names of all files of a report: page, PDF, JSON, and an overlay a panel."""
    if n_panels == 1:
        return (*FILES, "overlay.jpg")
    return (*FILES, *(f"overlay_{number}.jpg" for number in range(1, n_panels + 1)))


Record = dict[str, Any]

__all__ = ["FILES", "files", "of_comparison", "of_score", "to_json"]


def of_score(score: PanelScore) -> Record:
    """Return the record of one state.

    Parameters
    ----------
    score
        From `pipeline.score`.
    """
    per_px = _per_px(score)
    density = _interval(score.line_density)
    return {
        "format": "defectscan.score/1",
        "version": __version__,
        "line_density_mm_per_cm2": density if score.has_scale else None,
        "line_density_per_px": _scaled(score.line_density, per_px),
        "detection_limit_mm_per_cm2": score.detection_limit if score.has_scale else None,
        "detection_limit_per_px": score.detection_limit * per_px,
        "grade": score.grade,
        "as_seen": score.as_seen,
        "kinds": {
            kind.value: _interval(score.kinds[kind]) if score.has_scale else None for kind in Kind
        },
        "kinds_per_px": {kind.value: _scaled(score.kinds[kind], per_px) for kind in Kind},
        "haze": None if score.haze is None else _interval(score.haze),
        "shots": [_shot(shot) for shot in score.shots],
        "coverage": _coverage(score),
        "set_aside": [{"file": one.file, "reason": one.reason} for one in score.set_aside],
        "flags": [of_flag(flag) for flag in score.flags],
    }


def of_comparison(comparison: Comparison) -> Record:
    """Return the record of two states.

    Parameters
    ----------
    comparison
        From `pipeline.compare`.
    """
    fates = [fate for _, fate in comparison.followed]
    registered = comparison.registration.registered
    return {
        "format": "defectscan.comparison/1",
        "version": __version__,
        "correction_percent": _correction(comparison.correction),
        "correction_is_at_least": comparison.correction.at_least,
        "more_shots_for_3_points": comparison.more_shots,
        "kind_corrections_percent": {
            kind.value: _correction(correction)
            for kind, correction in comparison.kind_corrections.items()
        },
        "kind_corrections_are_at_least": {
            kind.value: correction.at_least
            for kind, correction in comparison.kind_corrections.items()
        },
        "before": of_score(comparison.before),
        "after": of_score(comparison.after),
        "registration": [
            _registration(comparison, number)
            for number, found in enumerate(comparison.registrations)
            if found.registered
        ]
        or None,
        "registration_refused": None if registered else comparison.registration.reason,
        "lines": {fate.value: fates.count(fate) for fate in FOLLOWED}
        if comparison.is_followed
        else None,
        "flags": [of_flag(flag) for flag in comparison.flags],
    }


def _correction(correction: Correction) -> Record | None:
    return None if correction.percent is None else _interval(correction.percent)


def _interval(interval: Interval) -> Record:
    return {"value": interval.value, "low": interval.low, "high": interval.high}


def _scaled(interval: Interval, factor: float) -> Record:
    return {name: value * factor for name, value in _interval(interval).items()}


def _coverage(score: PanelScore) -> Record | None:
    found = coverage(score)
    if found is None:
        return None
    return {
        "area_cm2": found.area_cm2,
        "shots_laid": found.shots_laid,
        "shots_not_laid": found.shots_not_laid,
    }


def _per_px(score: PanelScore) -> float:
    """Return the factor from the score's density to length per area in the photo's own pixels."""
    shot = score.shots[0]
    if shot.shot.mm_per_px is None:
        return score.told_factor
    return shot.shot.mm_per_px * shot.photo.scale / 100


def _shot(shot: MeasuredShot) -> Record:
    photo, geometry, scale = shot.photo, shot.shot.glint, shot.photo.scale
    highlight = shot.highlight
    return {
        "file": photo.path.name,
        "sha256": photo.sha256,
        "frame": None
        if photo.frame is None
        else {"index": photo.frame.index, "time_s": photo.frame.time_s},
        "width_px": photo.width_px,
        "height_px": photo.height_px,
        "mm_per_px": None if shot.shot.mm_per_px is None else shot.shot.mm_per_px * scale,
        "card": None
        if shot.card is None
        else {
            "mm_per_px": shot.card.mm_per_px * scale,
            "standard_error_mm_per_px": shot.card.mm_per_px_standard_error * scale,
            "tilt_deg": shot.card.tilt_deg,
            "n_marks": len(shot.card.tag_numbers),
            "ruler_mm": shot.card.card_mm,
        },
        "highlight": None
        if highlight is None
        else {
            "x_px": shot.own_px(highlight.x_px),
            "y_px": shot.own_px(highlight.y_px),
            "radius_px": highlight.radius_px / scale,
        },
        "glint_radius_px": None if highlight is None else geometry.reach_px / scale,
        "zone_area_px": round(float(shot.shot.zone.sum()) / scale**2),
        "n_lines": shot.shot.lines.n + shot.scratches.n,
        "exposure_time_s": photo.exposure.exposure_time_s,
        "f_number": photo.exposure.f_number,
        "iso_speed": photo.exposure.iso_speed,
        "focal_length_mm": photo.exposure.focal_length_mm,
        "flags": [flag.name.lower() for flag in shot.flags],
    }


def of_flag(flag: Doubt) -> Record:
    """Return the record of a doubt."""
    return {"name": flag.name.lower(), "text": flag.text, "advice": flag.advice}


def _registration(comparison: Comparison, number: int) -> Record:
    before, after = comparison.before.shots[0], comparison.after.shots[number]
    registration = comparison.registrations[number]
    return {
        "before": before.photo.path.name,
        "after": after.photo.path.name,
        "before_frame": None if before.photo.frame is None else before.photo.frame.index,
        "after_frame": None if after.photo.frame is None else after.photo.frame.index,
        "residual_px": None
        if registration.residual_px is None
        else registration.residual_px / before.photo.scale,
        "overlap": registration.overlap,
        "homography_after_to_before": comparison.own_homography(number).tolist(),
    }
