"""Fill a report with what was measured, and write it."""

import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from defectscan.errors import DefectscanError
from defectscan.flags import Flag
from defectscan.jobs import Job, JobPanel
from defectscan.measurement.comparison import Fate
from defectscan.measurement.coverage import coverage
from defectscan.measurement.kinds import Kind
from defectscan.measurement.lines import Lines
from defectscan.measurement.maps import density_grid, direction_densities
from defectscan.measurement.pairing import carried
from defectscan.measurement.state import GRADE_LIMITS_MM_PER_CM2, MeasuredShot, PanelScore
from defectscan.output import check_free, write_whole
from defectscan.pipeline import Comparison
from defectscan.report import content, words
from defectscan.report.compose import compose
from defectscan.report.html import page_html
from defectscan.report.overlays import overlay_jpeg
from defectscan.report.page import Page
from defectscan.report.pictures import outline
from defectscan.report.record import files, of_comparison, to_json
from defectscan.report.words import correction_estimate, estimate, more_shots
from defectscan.version import __version__

_KINDS: dict[Kind, content.Kind] = {
    Kind.SWIRL: "swirl",
    Kind.DEEP_SCRATCH: "deep_scratch",
    Kind.MACHINE_TRAIL: "machine_trail",
}
_STATUS: dict[Fate, content.Status] = {
    Fate.REMOVED: "removed",
    Fate.REMAINING: "remaining",
    Fate.NEW: "new",
}
_NOT_FOLLOWED = (
    "Lines as seen are not followed one by one, for it is not known which of them the lamp of the"
    " other photo would show; each photo stands with its own lines."
)

PdfWriter = Callable[[Page], Callable[[], bytes]]


def write_score(
    score: PanelScore,
    folder: Path,
    *,
    title: str,
    record: str,
    force: bool,
    pdf_writer: PdfWriter | None = None,
) -> None:
    """Write the report of one state, and its JSON, into a folder.

    Parameters
    ----------
    score
        From `pipeline.score`.
    folder
        Made where it is missing.
    title
        The panel's name; the photo's where empty.
    record
        The JSON text.
    force
        Whether to write over files that are there.
    pdf_writer
        What begins to write the PDF, and returns what waits for it; without one, it is written
        here.
    """
    panel = score_panel(score, title=title or score.shots[0].photo.path.stem)
    _write([panel], folder, record=record, force=force, pdf_writer=pdf_writer)


def write_comparison(
    comparison: Comparison,
    folder: Path,
    *,
    title: str,
    record: str,
    force: bool,
    pdf_writer: PdfWriter | None = None,
) -> None:
    """Write the report of two states, and its JSON, into a folder.

    Parameters
    ----------
    comparison
        From `pipeline.compare`.
    folder, title, record, force, pdf_writer
        As for `write_score`.
    """
    panel = comparison_panel(comparison, title=title or comparison.before.shots[0].photo.path.stem)
    _write([panel], folder, record=record, force=force, pdf_writer=pdf_writer)


@dataclass(frozen=True, slots=True, kw_only=True)
class JobPart:
    """What a job's report holds of one panel, without the measurement behind it.

    Attributes
    ----------
    title
        Of the panel.
    panel
        For the pages, or ``None`` where it was not measured.
    record
        For the JSON.
    words
        For the terminal.
    error, missing
        Why it was not measured, or ``None``; the same for the pages.
    """

    title: str
    panel: content.Panel | None
    record: dict[str, Any]
    words: str = ""
    error: DefectscanError | None = None
    missing: content.Flag | None = None


def job_part(found: Comparison | DefectscanError, *, of: JobPanel) -> JobPart:
    """Return what a job's report holds of a panel."""
    title = of.title
    if isinstance(found, DefectscanError):
        record = {"title": title, "error": str(found)}
        return JobPart(
            title=title, panel=None, record=record, error=found, missing=_missing(found, of)
        )
    return JobPart(
        title=title,
        panel=comparison_panel(found, title=title),
        record={"title": title, **of_comparison(found)},
        words=words.of_comparison(found),
    )


def _missing(error: DefectscanError, panel: JobPanel) -> content.Flag:
    """Say in the report why a panel is not in it; where the photos are is the workshop's matter."""
    what = _without_folders(error.what, {panel.before.parent, panel.after.parent})
    return content.Flag(
        name="not_measured",
        text=f"{panel.title}: {what}.",
        advice=f"{error.remedy[:1].upper()}{error.remedy[1:]}.",
    )


def write_job(job: Job, parts: Sequence[JobPart], folder: Path, *, force: bool) -> None:
    """Write one report of the panels of a job, and its JSON, into a folder.

    Parameters
    ----------
    job
        Its title and scenario head the report.
    parts
        From `job_part`, at least one of them measured; the report names the others.
    folder, force
        As for `write_score`.
    """
    records = [part.record for part in parts]
    text = to_json({"format": "defectscan.job-report/1", "title": job.title, "panels": records})
    missing = tuple(part.missing for part in parts if part.missing is not None)
    _write(
        [part.panel for part in parts],
        folder,
        title=job.title,
        subtitle=job.subtitle,
        record=text,
        flags=missing,
        force=force,
    )


def score_panel(score: PanelScore, *, title: str) -> content.Panel:
    """Return the report's panel for one state."""
    return content.Panel(
        title=title,
        before=_state(score),
        density_map=_density_map(score, score, np.eye(3)),
        density_unit=_unit(score),
        as_seen=score.as_seen,
        set_aside=_set_aside(score),
    )


def comparison_panel(comparison: Comparison, *, title: str) -> content.Panel:
    """Return the report's panel for two states."""
    registration = comparison.registration
    homography = registration.homography_after_to_before if registration.registered else None
    before, after = comparison.before, comparison.after
    if homography is None:
        density_map = _density_map(after, after, np.eye(3))
    else:
        density_map = _density_map(after, before, homography)
    return content.Panel(
        title=title,
        before=_state(before),
        after=_state(after),
        correction=correction_estimate(comparison.correction),
        kind_corrections={
            _KINDS[kind]: correction_estimate(value)
            for kind, value in comparison.kind_corrections.items()
        },
        registration=_registration(comparison),
        density_map=density_map,
        density_unit=_unit(before),
        as_seen=before.as_seen,
        more_shots=tuple(more_shots(comparison)),
        set_aside=(*_set_aside(before), *_set_aside(after)),
        flags=_flags(comparison.flags),
    )


def _write(
    panels: Sequence[content.Panel | None],
    folder: Path,
    *,
    record: str,
    force: bool,
    title: str = "",
    subtitle: str = "",
    flags: tuple[content.Flag, ...] = (),
    pdf_writer: PdfWriter | None = None,
) -> None:
    """Write a report of panels, `None` where one was not measured; each keeps its number."""
    measured = [panel for panel in panels if panel is not None]
    filled = content.ReportContent(
        title=title or measured[0].title,
        subtitle=subtitle,
        date=date.today(),  # noqa: DTZ011 - the workshop's own day
        version=__version__,
        panels=tuple(measured),
        grade_limits_mm_per_cm2=GRADE_LIMITS_MM_PER_CM2,
        flags=flags,
    )
    names = files(len(panels))
    check_free([folder / name for name in names], force=force)
    page = compose(filled)
    pdf = _written_here(page) if pdf_writer is None else pdf_writer(page)
    overlays = [None if panel is None else overlay_jpeg(panel) for panel in panels]
    contents = [page_html(page).encode(), pdf(), record.encode(), *overlays]
    for name, data in zip(names, contents, strict=True):
        if data is not None:
            write_whole(folder / name, data, force=force)


def _written_here(page: Page) -> Callable[[], bytes]:
    from defectscan.report.pdf import page_pdf  # noqa: PLC0415 - slow, and another may write it

    return lambda: page_pdf(page)


def _unit(score: PanelScore) -> content.DensityUnit:
    return "mm/cm²" if score.has_scale else "px/px²"


def _state(score: PanelScore) -> content.State:
    first, factor = score.shots[0], score.told_factor
    return content.State(
        picture=content.Picture(
            image=first.photo.rgb,
            lines=_own_lines(score),
            zone_px=tuple(outline(first.shot.zone)),
            highlight=_highlight(first, own=False),
        ),
        line_density=estimate(score.line_density, factor=factor),
        detection_limit=score.detection_limit * factor,
        grade=score.grade,
        kinds={_KINDS[kind]: estimate(value, factor=factor) for kind, value in score.kinds.items()},
        haze=content.UNKNOWN if score.haze is None else estimate(score.haze),
        directions=factor * direction_densities([shot.shot for shot in score.shots], score.count),
        photos=tuple(_conditions(shot) for shot in score.shots),
        flags=_flags(score.flags),
        coverage=_coverage(score),
    )


def _set_aside(score: PanelScore) -> tuple[str, ...]:
    """Say which photos were set aside, and why; where they are is the workshop's matter."""
    folders = {shot.photo.path.parent for shot in score.shots}
    return tuple(_without_folders(one.reason, folders) for one in score.set_aside)


def _without_folders(text: str, folders: Iterable[Path]) -> str:
    """Return a text in which files of some folders are named alone."""
    for folder in folders:
        text = text.replace(f"{folder}{os.sep}", "")
    return text


def _coverage(score: PanelScore) -> content.Coverage | None:
    found = coverage(score)
    if found is None:
        return None
    return content.Coverage(
        n_shots=found.n_shots,
        extent_px=found.extent_px,
        highlights_px=found.highlights_px,
        area_cm2=found.area_cm2,
        shots_laid=found.shots_laid,
        shots_not_laid=found.shots_not_laid,
    )


def _own_lines(score: PanelScore) -> tuple[content.Line, ...]:
    first = score.shots[0]
    # A line cannot be drawn in part: as a trail where that is likelier than a swirl.
    drawn = [
        content.Line(
            points_px=course, kind="machine_trail" if score.trail_share[number] > 0.5 else "swirl"
        )
        for number, course in enumerate(first.shot.lines.courses())
    ]
    return (*drawn, *_scratches(first.scratches, "line"))


def _registration(comparison: Comparison) -> content.Registration:
    found = comparison.registration
    if not found.registered or found.homography_after_to_before is None:
        return content.Registration(reason=found.reason)
    before, after = comparison.before.shots[0], comparison.after.shots[0]
    height, width = before.photo.rgb.shape[:2]
    warped = cv2.warpPerspective(
        after.photo.rgb, found.homography_after_to_before, (width, height), flags=cv2.INTER_LINEAR
    )
    lines = [
        content.Line(points_px=course, status=_STATUS[fate]) for course, fate in comparison.followed
    ]
    if comparison.is_followed:
        scratches_here = carried(after.scratches, found.homography_after_to_before)
        lines += _scratches(before.scratches, "scratch_before")
        lines += _scratches(scratches_here, "scratch_after")
    return content.Registration(
        after_on_before=warped.astype(np.uint8),
        lines=tuple(lines),
        not_followed="" if comparison.is_followed else _NOT_FOLLOWED,
        residual_px=found.residual_px,
        overlap=found.overlap,
    )


def _scratches(lines: Lines, status: content.Status) -> list[content.Line]:
    return [
        content.Line(points_px=course, status=status, kind="deep_scratch")
        for course in lines.courses()
    ]


def _conditions(shot: MeasuredShot) -> content.PhotoConditions:
    photo, exposure, scale = shot.photo, shot.photo.exposure, shot.shot.mm_per_px
    return content.PhotoConditions(
        file=photo.name,
        sha256=photo.sha256,
        width_px=photo.width_px,
        height_px=photo.height_px,
        mm_per_px=None if scale is None else scale * photo.scale,
        exposure_time_s=exposure.exposure_time_s,
        f_number=exposure.f_number,
        iso=exposure.iso_speed,
        focal_length_mm=exposure.focal_length_mm,
        highlight=_highlight(shot, own=True),
        glint_radius_px=None if shot.highlight is None else shot.shot.glint.reach_px / photo.scale,
        zone_area_cm2=None if scale is None else float(shot.shot.zone.sum()) * scale**2 / 100,
        n_lines=shot.shot.lines.n + shot.scratches.n,
        flags=_flags(shot.flags),
    )


def _highlight(shot: MeasuredShot, *, own: bool) -> content.Highlight | None:
    spot = shot.highlight
    if spot is None:
        return None
    if not own:
        return content.Highlight(x_px=spot.x_px, y_px=spot.y_px, radius_px=spot.bloom_px)
    return content.Highlight(
        x_px=shot.own_px(spot.x_px),
        y_px=shot.own_px(spot.y_px),
        radius_px=spot.radius_px / shot.photo.scale,
    )


def _density_map(
    score: PanelScore, drawn_on: PanelScore, homography: NDArray[Any]
) -> content.DensityMap:
    """Return the map of a state over the first photo of one, to which a homography leads."""
    grid = density_grid(
        [shot.shot for shot in score.shots],
        score.count,
        frames=[None if one is None else homography @ one for one in score.on_first],
        shape=drawn_on.shots[0].shot.zone.shape,
    )
    return content.DensityMap(values=grid.values * score.told_factor, extent_px=grid.extent_px)


def _flags(flags: Sequence[Flag]) -> tuple[content.Flag, ...]:
    return tuple(
        content.Flag(name=flag.name.lower(), text=flag.text, advice=flag.advice) for flag in flags
    )
