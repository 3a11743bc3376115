"""The job book as tables for a workshop's own sheets: CSV and XLSX.

Cells that a spreadsheet would take for a formula get an apostrophe in front.

References
----------
OWASP, "CSV Injection": cells that begin with =, +, -, @, a tab or a line's end.
"""

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from defectscan.workshop.book_entries import BookError, Entry, FilmReading, Note, Pass, Result
from defectscan.workshop.book_view import JobView, PanelView, StateView, SurfaceView
from defectscan.workshop.stored_figures import current_comparison

Cell = str | float | int | None
FORMULA_STARTS: tuple[str, ...] = ("=", "+", "-", "@", "\t", "\r", "\n")
# The same signs in full width, which some spreadsheets take too.
FORMULA_STARTS += ("\uff1d", "\uff0b", "\uff0d", "\uff20")
LONGEST_CELL = 32_767
NAMES = ("results", "passes", "film", "shots", "notes", "decisions")
_WHERE = ("job", "vehicle", "panel", "material", "test_spot")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """One table: its name, the heads of its columns, and its rows."""

    name: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]


def sheets_of(jobs: Sequence[JobView]) -> list[Sheet]:
    """Return the tables of what stands in some jobs, in the order of `NAMES`."""
    return [
        _results(jobs),
        _passes(jobs),
        _film(jobs),
        _shots(jobs),
        _notes(jobs),
        _decisions(jobs),
    ]


def to_csv(sheet: Sheet) -> bytes:
    """Write a table as CSV: UTF-8 with a byte order mark, as spreadsheets expect it."""
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(sheet.columns)
    writer.writerows([harmless(cell) for cell in row] for row in sheet.rows)
    return text.getvalue().encode("utf-8-sig")


def to_xlsx(sheets: Iterable[Sheet]) -> bytes:
    """Write tables as a workbook, a sheet each.

    Raises
    ------
    BookError
        If xlsxwriter, an extra, is not installed.
    """
    try:
        import xlsxwriter  # noqa: PLC0415 - an extra
    except ImportError as error:
        raise BookError(
            "xlsxwriter, which writes workbooks, is not installed",
            allowed="an export to .xlsx needs it",
            remedy='install "defectscan[xlsx]", or export to .csv',
        ) from error
    data = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(data, options) as workbook:
        bold = workbook.add_format({"bold": True})
        for sheet in sheets:
            page = workbook.add_worksheet(sheet.name)
            page.freeze_panes(1, 0)
            for column, head in enumerate(sheet.columns):
                page.write_string(0, column, head, bold)
                page.set_column(column, column, max(10, len(head) + 2))
            for number, row in enumerate(sheet.rows, start=1):
                for column, cell in enumerate(row):
                    if isinstance(cell, str):
                        page.write_string(number, column, str(harmless(cell))[:LONGEST_CELL])
                    elif cell is not None:
                        page.write_number(number, column, cell)
    return data.getvalue()


def harmless(cell: Cell) -> Cell:
    """Return a cell that no spreadsheet takes for a formula."""
    if isinstance(cell, str) and cell.lstrip(" ").startswith(FORMULA_STARTS):
        return "'" + cell
    return cell


def _surfaces(
    jobs: Sequence[JobView],
) -> Iterable[tuple[tuple[Cell, ...], SurfaceView, PanelView]]:
    for job in jobs:
        start = (job.entry.content.number, job.entry.content.title)
        for panel in job.panels:
            named = (*start, panel.name, panel.entry.content.material.value)
            yield (*named, ""), panel.surface, panel
            for spot in panel.test_spots:
                yield (*named, spot.entry.content.name), spot.surface, panel


def _results(jobs: Sequence[JobView]) -> Sheet:
    rows = []
    for where, surface, _ in _surfaces(jobs):
        states = {state.entry.thing_id: state for state in surface.states}
        for state in surface.states:
            for result in ([state.score] if state.score else []) + list(state.comparisons):
                content = result.content
                before = states.get(content.before_state_id or 0)
                rows.append(
                    (
                        *where,
                        state.name,
                        before.name if before else "",
                        *_interval(content.record.get("line_density_mm_per_cm2")),
                        *_correction(content.record),
                        content.record.get("grade"),
                        len(content.sha256s),
                        content.version,
                        *_made(result),
                        content.record.get("detection_limit_mm_per_cm2"),
                        _at_least(content),
                        _yes_no(_is_current(content, before, state)),
                        len(state.withdrawn_sha256s.intersection(content.sha256s)),
                    )
                )
    columns = (
        *_WHERE,
        "state",
        "compared_with",
        "line_density_mm_per_cm2",
        "line_density_low",
        "line_density_high",
        "correction_percent",
        "correction_low",
        "correction_high",
        "grade",
        "n_photos",
        "program_version",
        "recorded_at",
        "recorded_by",
        "detection_limit_mm_per_cm2",
        "correction_is_at_least",
        "current",
        "n_photos_withdrawn_since",
    )
    return Sheet(name="results", columns=columns, rows=tuple(rows))


def _passes(jobs: Sequence[JobView]) -> Sheet:
    rows = []
    for where, surface, _ in _surfaces(jobs):
        for number, one in enumerate(surface.passes, start=1):
            p: Pass = one.content
            done = (p.who, p.machine, p.pad, p.polish, p.speed, p.time_min, p.section)
            rows.append((*where, number, *done, *_made(one)))
    columns = (*_WHERE, "pass", "who", "machine", "pad", "polish", "speed", "time_min", "section")
    return Sheet(name="passes", columns=(*columns, "recorded_at", "recorded_by"), rows=tuple(rows))


def _film(jobs: Sequence[JobView]) -> Sheet:
    rows = []
    for where, surface, _ in _surfaces(jobs):
        for reading in surface.film:
            f: FilmReading = reading.content
            n_passes = surface.n_passes(f.after_pass_id)
            rows.append((*where, n_passes, f.spot, f.film_um, f.gauge, *_made(reading)))
    columns = (*_WHERE, "after_passes", "spot", "film_um", "gauge", "recorded_at", "recorded_by")
    return Sheet(name="film", columns=columns, rows=tuple(rows))


def _shots(jobs: Sequence[JobView]) -> Sheet:
    rows = [
        (
            *where,
            state.name,
            shot.content.file_name,
            shot.content.sha256,
            shot.content.mm_per_px,
            *_made(shot),
        )
        for where, surface, _ in _surfaces(jobs)
        for state in surface.states
        for shot in state.shots
    ]
    columns = (*_WHERE, "state", "file", "sha256", "mm_per_px", "recorded_at", "recorded_by")
    return Sheet(name="shots", columns=columns, rows=tuple(rows))


def _notes(jobs: Sequence[JobView]) -> Sheet:
    rows = []
    for job in jobs:
        start = (job.entry.content.number, job.entry.content.title)
        notes: list[tuple[str, Entry[Note]]] = [("", note) for note in job.notes]
        notes += [(panel.name, note) for panel in job.panels for note in panel.notes]
        rows += [(*start, panel, note.content.text, *_made(note)) for panel, note in notes]
    columns = ("job", "vehicle", "panel", "note", "recorded_at", "recorded_by")
    return Sheet(name="notes", columns=columns, rows=tuple(rows))


def _decisions(jobs: Sequence[JobView]) -> Sheet:
    rows = [
        (
            job.entry.content.number,
            job.entry.content.title,
            panel.name,
            decision.content.answer,
            decision.content.reason,
            decision.content.version,
            *_made(decision),
        )
        for job in jobs
        for panel in job.panels
        for decision in panel.decisions
    ]
    columns = ("job", "vehicle", "panel", "answer", "reason", "program_version")
    return Sheet(
        name="decisions", columns=(*columns, "recorded_at", "recorded_by"), rows=tuple(rows)
    )


def _interval(told: Any) -> tuple[Cell, Cell, Cell]:  # noqa: ANN401 - JSON
    if not isinstance(told, dict):
        return None, None, None
    return told.get("value"), told.get("low"), told.get("high")


def _correction(record: Mapping[str, Any]) -> tuple[Cell, Cell, Cell]:
    """Return a stored correction with its interval; of "at least" its lower limit alone."""
    value, low, high = _interval(record.get("correction_percent"))
    return (None, low, None) if record.get("correction_is_at_least") else (value, low, high)


def _at_least(result: Result) -> Cell:
    """Tell whether a lower limit is all that is known of a correction; empty for a score."""
    told = _yes_no(result.record.get("correction_is_at_least"))
    return None if result.before_state_id is None else told


def _is_current(result: Result, before: StateView | None, state: StateView) -> bool:
    """Tell whether a result rests on what its states were last measured from."""
    if result.before_state_id is None:
        return True
    if before is None or before.score is None or state.score is None:
        return False
    return current_comparison(before, state) == result


def _yes_no(told: object) -> str:
    return "yes" if told else "no"


def _made(entry: Entry[Result] | Entry[Any]) -> tuple[str, str]:
    return entry.recorded_at, entry.recorded_by
