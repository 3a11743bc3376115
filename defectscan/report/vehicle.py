"""The customer's report of a whole vehicle: from the job book to HTML, PDF and JSON."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from defectscan import pipeline
from defectscan.errors import DefectscanError
from defectscan.measurement.state import GRADE_LIMITS_MM_PER_CM2
from defectscan.output import check_free, write_whole
from defectscan.report import stored, wording
from defectscan.report.compose import closing_chapter
from defectscan.report.content import Flag
from defectscan.report.figures import draw_corrections
from defectscan.report.html import page_html
from defectscan.report.letterhead import Letterhead
from defectscan.report.overlays import overlay_jpeg
from defectscan.report.page import (
    Block,
    Chapter,
    Chart,
    Charts,
    Flags,
    Page,
    Section,
    Signature,
    Table,
    Text,
    Tile,
    Tiles,
)
from defectscan.report.panel import panel_chapter
from defectscan.report.pdf import page_pdf
from defectscan.report.record import FILES, to_json
from defectscan.report.summary import correction_of, density_cell, grade
from defectscan.report.vehicle_panel import ReportedPanel, measured_ends, reported_panel
from defectscan.report.vehicle_tables import passes_minutes, work_sections
from defectscan.report.wording import typed
from defectscan.version import __version__
from defectscan.workshop.book import Book
from defectscan.workshop.book_view import JobView, PanelView, SurfaceView
from defectscan.workshop.local_time import local_day
from defectscan.workshop.measuring import Progress, scale_of
from defectscan.workshop.not_measured import not_measured, unmeasured_states
from defectscan.workshop.outlook import WorkshopLimits
from defectscan.workshop.stored_figures import score_of

FORMAT = "defectscan.vehicle_report/1"
_ROWS_A_CHART = 12
_LONGEST_ABOUT = 1000
_SIGNED = ("For the workshop: name, date, signature", "Customer: name, date, signature")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class VehicleReport:
    """A vehicle's report, ready to be written.

    Attributes
    ----------
    page
        In reading order.
    record
        The same as JSON.
    overlays
        Pictures with lines, by the name of their file.
    advice
        What would make the corrections surer: for the workshop, not for the customer.
    """

    page: Page
    record: dict[str, Any]
    overlays: dict[str, bytes]
    advice: tuple[str, ...]


def vehicle_files(job: JobView) -> tuple[str, ...]:
    """Return the names of all files that a job's report may have."""
    numbers = [n for n, p in enumerate(job.panels, start=1) if measured_ends(p.surface)]
    return (*FILES, *(_overlay_name(number) for number in numbers))


def vehicle_report(
    book: Book,
    job: JobView,
    *,
    limits: WorkshopLimits,
    letterhead: Letterhead,
    pictures: bool = True,
    progress: Progress,
) -> VehicleReport:
    """Put a job's report together from what the book keeps.

    Parameters
    ----------
    book
        Open.
    job
        As it stands.
    limits
        The workshop's: the target that test spots are held against.
    letterhead
        The workshop's name and logo.
    pictures
        Whether to measure again, for the lines in the pictures alone.
    progress
        Called with the name of each photo when its turn comes.
    """
    names = {s.content.sha256: typed(s.content.file_name, 80) for s in _shots(job)}
    reported = []
    failures: dict[int, str] = {}
    for view in job.panels:
        progress(typed(view.name, 40))
        reported.append(
            reported_panel(book, view, names=names, pictures=pictures, progress=progress)
        )
        if pictures:
            failures |= _failures(book, view, names, progress)
    missing = {view.entry.thing_id: not_measured(view, failures) for view in job.panels}
    shown = [one for one in reported if one is not None]
    panels = tuple(one.panel for one in shown)
    closing = closing_chapter(panels, GRADE_LIMITS_MM_PER_CM2)
    method = Section(title="What the figures rest on", blocks=(_method(shown),))
    signed = Section(title="Signatures", blocks=(Signature(labels=_SIGNED),))
    sections = (*closing.sections[:1], *([method] if shown else []), *closing.sections[1:], signed)
    page = Page(
        title=typed(job.entry.content.title),
        subtitle=typed(job.entry.content.about, _LONGEST_ABOUT),
        date=date.today(),  # noqa: DTZ011 - the workshop's own day
        version=__version__,
        workshop=typed(letterhead.workshop),
        logo=letterhead.logo,
        opening=_opening(job, reported, missing),
        chapters=(
            *(
                chapter
                for view, one in zip(job.panels, reported, strict=True)
                for chapter in _chapters(view, one, missing[view.entry.thing_id], limits)
            ),
            Chapter(title=closing.title, sections=sections),
        ),
    )
    overlays = {
        _overlay_name(number): overlay_jpeg(one.panel)
        for number, one in enumerate(reported, start=1)
        if one is not None and not one.panel.not_drawn
    }
    advice = (
        f"{one.panel.title}: {sentence}"
        for one in shown
        if one.compared is not None
        for sentence in stored.more_shots(one.compared.record)
    )
    return VehicleReport(
        page=page,
        record=_record(job, reported, missing),
        overlays=overlays,
        advice=tuple(advice),
    )


def write_vehicle(report: VehicleReport, folder: Path, *, force: bool) -> None:
    """Write a vehicle's report into a folder: page, PDF, JSON and overlays."""
    contents = [
        page_html(report.page).encode(),
        page_pdf(report.page),
        to_json(report.record).encode(),
    ]
    files = {**dict(zip(FILES, contents, strict=True)), **report.overlays}
    check_free([folder / name for name in files], force=force)
    for name, data in files.items():
        write_whole(folder / name, data, force=force)


def _opening(
    job: JobView, reported: Sequence[ReportedPanel | None], missing: Mapping[int, tuple[str, ...]]
) -> tuple[Block, ...]:
    blocks: list[Block] = [Tiles(tiles=_tiles(job, reported)), _overview(job, reported)]
    rows = [
        (one.panel.title, correction_of(one.panel))
        for one in reported
        if one is not None and one.last is not None
    ]
    for start in range(0, len(rows) if len(rows) > 1 else 0, _ROWS_A_CHART):
        part = rows[start : start + _ROWS_A_CHART]
        described = "; ".join(f"{name} {wording.correction(told)}" for name, told in part)
        drawing = draw_corrections(
            [(name, wording.short_correction(told), told) for name, told in part],
            description=f"Correction: {described}.",
            first_leads=False,
        )
        caption = (
            "Correction of each panel, the share of the scratch length that is gone, with the "
            "95 % interval that the true figure should lie in."
        )
        blocks.append(Charts(charts=(Chart(drawing=drawing, caption=caption),)))
    differing = [one.panel.title for one in reported if one is not None and one.panel.notices]
    if differing:
        text = f"Read the remarks that stand at the head of: {', '.join(differing)}."
        blocks.append(Flags(flags=(Flag(name="Remarks", text=text),)))
    told = [
        (typed(view.name, 80), " ".join(typed(line, 400) for line in lines))
        for view in job.panels
        if (lines := missing[view.entry.thing_id])
    ]
    if told:
        head = ("Panel", "Not measured, and why")
        blocks.append(Table(head=head, rows=tuple(told), widths=(40, 140)))
    if not job.panels:
        blocks.append(Text(paragraphs=("No panel has been entered.",)))
    return tuple(blocks)


def _tiles(job: JobView, reported: Sequence[ReportedPanel | None]) -> tuple[Tile, ...]:
    n_passes, minutes, n_timed = passes_minutes(_surfaces(job))
    on_spots = [spot.surface for panel in job.panels for spot in panel.test_spots]
    passes = [] if not n_timed else [f"{wording.number(minutes)} minute{'s' * (minutes != 1)}"]
    if 0 < n_timed < n_passes:
        passes[0] += f" for {n_timed} of them"
    if n := sum(len(surface.passes) for surface in on_spots):
        passes.append(f"{n} on test spots")
    n_film = sum(len(surface.film) for surface in _surfaces(job))
    film = f"{len(on_spots)} test spot{'s' * (len(on_spots) > 1)}" if on_spots else ""
    if n := sum(len(surface.film) for surface in on_spots):
        film += f", with {n} of them"
    measured = sum(one is not None for one in reported)
    return (
        Tile(label="Panels measured", value=f"{measured} of {len(job.panels)}"),
        Tile(label="Polishing passes", value=str(n_passes), detail=", ".join(passes)),
        Tile(label="Photos kept", value=str(len(_shots(job)))),
        Tile(label="Film readings", value=str(n_film) if n_film else "none", detail=film),
    )


def _overview(job: JobView, reported: Sequence[ReportedPanel | None]) -> Table:
    rows: list[tuple[str, ...]] = []
    for view, one in zip(job.panels, reported, strict=True):
        name = typed(view.name, 80)
        if one is None:
            rows.append((name, "not measured", "", "", ""))
            continue
        panel, after = one.panel, one.panel.after
        cells = [name, density_cell(panel.before, panel)]
        if after is None:
            cells += ["", "not known: one state measured", grade(panel.before.grade)]
        else:
            cells += [density_cell(after, panel), wording.correction(correction_of(panel))]
            cells += [f"{grade(panel.before.grade)} → {grade(after.grade)}"]
        rows.append(tuple(cells))
    head = ("Panel", "Before", "After", "Correction", "Grade")
    return Table(head=head, rows=tuple(rows), widths=(40, 42, 42, 40, 16))


def _chapters(
    view: PanelView, one: ReportedPanel | None, missing: tuple[str, ...], limits: WorkshopLimits
) -> tuple[Chapter, ...]:
    work = work_sections(view, limits)
    if one is not None:
        chapter = panel_chapter(one.panel)
        sections = (*chapter.sections[:-1], *work, chapter.sections[-1])
        return (Chapter(title=chapter.title, sections=sections),)
    if not (view.surface.passes or view.surface.film or view.test_spots):
        return ()
    why = Section(
        title="",
        blocks=(
            Text(paragraphs=("This panel has no measured state.",)),
            Text(paragraphs=tuple(typed(line, 400) for line in missing), as_list=True),
        ),
    )
    return (Chapter(title=typed(view.name, 80), sections=(why, *work)),)


def _method(shown: Sequence[ReportedPanel]) -> Table:
    rows = []
    for one in shown:
        for state in (one.first, *([one.last] if one.last else [])):
            entry, score = state.score, score_of(state)
            scale = score.settings.get("mm_per_px")
            rows.append(
                (
                    one.panel.title,
                    state.name,
                    str(len(score.sha256s)),
                    "from the card"
                    if scale is None and stored.has_scale(score.record)
                    else wording.measure(scale, "mm per px"),
                    f"version {typed(score.version, 20)}, seed {score.settings.get('seed', 0)}",
                    "" if entry is None else local_day(entry.recorded_at),
                )
            )
    head = ("Panel", "State", "Photos", "Scale", "Measured with", "On")
    return Table(head=head, rows=tuple(rows), widths=(38, 28, 16, 34, 40, 24))


def _failures(
    book: Book, view: PanelView, names: stored.Names, progress: Progress
) -> dict[int, str]:
    """Try to measure states that have photos and no result, for the reason why not."""
    failures = {}
    for state in unmeasured_states(view):
        try:
            photos = [book.photo_path(shot.content.sha256) for shot in state.shots]
            pipeline.score(photos, mm_per_px=scale_of(state), progress=progress)
        except DefectscanError as error:
            why = stored.with_entered_names(error.what, names)
            failures[state.entry.thing_id] = why
    return failures


def _record(
    job: JobView, reported: Sequence[ReportedPanel | None], missing: Mapping[int, tuple[str, ...]]
) -> dict[str, Any]:
    return {
        "format": FORMAT,
        "version": __version__,
        "job": job.entry.content.number,
        "title": job.entry.content.title,
        "panels": [
            {
                "name": view.name,
                "material": view.entry.content.material,
                "not_measured": missing[view.entry.thing_id],
                "measured": None if one is None else one.record(),
            }
            for view, one in zip(job.panels, reported, strict=True)
        ],
    }


def _surfaces(job: JobView) -> list[SurfaceView]:
    """Return the panels and their test spots."""
    surfaces: list[SurfaceView] = []
    for panel in job.panels:
        surfaces += [panel.surface, *(spot.surface for spot in panel.test_spots)]
    return surfaces


def _shots(job: JobView) -> list[Any]:
    return [shot for surface in _surfaces(job) for state in surface.states for shot in state.shots]


def _overlay_name(number: int) -> str:
    return f"overlay_{number}.jpg"
