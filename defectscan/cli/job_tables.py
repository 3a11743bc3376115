"""The job book on the terminal."""

import sys
from collections.abc import Iterable, Sequence
from dataclasses import fields
from typing import TYPE_CHECKING, Any

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from defectscan.workshop.book import JobSummary
from defectscan.workshop.book_entries import Content, Entry, Result
from defectscan.workshop.book_view import JobView, StateView, SurfaceView, again_command
from defectscan.workshop.comparable import incomparable, measured_alike, unlike_scales
from defectscan.workshop.local_time import local_time

if TYPE_CHECKING:
    from defectscan.report.content import Estimate

NEWEST = 30
LONGEST_SHOWN = 200
LONGEST_COMMAND = 2000
NOT_CURRENT = "not compared since"


def print_jobs(jobs: Sequence[JobSummary], *, everything: bool) -> None:
    """Print the list of jobs, the newest first."""
    table = _table(
        "Job", "Vehicle", "Panels", "Passes", "Shots", "Last entry", numbers=(0, 2, 3, 4)
    )
    listed = jobs if everything else jobs[:NEWEST]
    for job in listed:
        counts = (job.n_panels, job.n_passes, job.n_shots)
        table.add_row(
            *_cells(job.number, shown(job.title, 60), *counts, _local(job.last_at)),
        )
    console = _console()
    console.print(table)
    if len(listed) < len(jobs):
        console.print(f"{len(jobs) - len(listed)} older jobs: --all lists them.")


def print_job(job: JobView) -> None:
    """Print what stands of a job: states with their figures, passes, film readings, notes."""
    console = _console()
    content = job.entry.content
    console.print(Text(f"Job {content.number}  {shown(content.title)}", style="bold"))
    if content.about:
        console.print(Text(shown(content.about)))
    console.print(_states(job))
    for table in (_passes(job), _film(job)):
        if table.row_count:
            console.print(table)
    for panel in job.panels:
        for remark in _cannot_be_compared(panel.surface):
            console.print(Text(f"{shown(panel.name)}: {remark}"))
    for remark in _remarks(job):
        console.print(Text(remark))
    for where, note in [("", n) for n in job.notes] + [
        (f"{shown(panel.name)}: ", n) for panel in job.panels for n in panel.notes
    ]:
        console.print(Text(f"Note {_local(note.recorded_at)}  {where}{shown(note.content.text)}"))


def print_combinations(
    head: Sequence[str], rows: Iterable[Sequence[str]], notes: Iterable[str]
) -> None:
    """Print what each combination brought, and what to mind about it."""
    table = _table(*head, numbers=())
    for row in rows:
        table.add_row(*_cells(*map(shown, row)))
    console = _console()
    console.print(table if table.row_count else "No pass was measured both before and after it.")
    for note in notes:
        console.print(Text(f"- {shown(note)}"))


def print_history(entries: Iterable[Entry[Content]]) -> None:
    """Print every entry, with what corrects what."""
    table = _table("Entry", "When", "Who", "Kind", "Says", "Corrects", numbers=(0, 5))
    for entry in entries:
        says = "; ".join(_said(entry.content))
        table.add_row(
            *_cells(
                entry.id,
                _local(entry.recorded_at),
                shown(entry.recorded_by, 20),
                entry.kind.replace("_", " "),
                ("void: " if entry.withdrawn else "") + shown(says),
                entry.supersedes_id or "",
            )
        )
    _console().print(table)


def print_results(results: Sequence[Entry[Result]], reasons: Sequence[str]) -> None:
    """Print what was measured of a state, and why it was not compared."""
    console = _console()
    for result in results:
        record = result.content.record
        if result.content.before_state_id is None:
            console.print(f"Line density {density(record)}")
        else:
            console.print(f"Correction {correction(record)} (entry {result.id})")
        for flag in record.get("flags", []):
            console.print(Text(f"- {flag['text']} {flag['advice']}"))
        for one in record.get("set_aside", []):  # of a score: those of a comparison are its scores'
            console.print(Text(f"- set aside: {one['reason']}"))
    for reason in reasons:
        console.print(Text(f"- {reason}"))
    if any(result.content.before_state_id is not None for result in results):
        from defectscan.report.words import CAUTION  # noqa: PLC0415 - heavy

        console.print(CAUTION)


def density(record: dict[str, Any]) -> str:
    """Write the line density of a stored score."""
    from defectscan.report import wording  # noqa: PLC0415 - loads numpy

    known = record.get("line_density_mm_per_cm2")
    per_px = record.get("line_density_per_px")
    if known is not None:
        limit = record.get("detection_limit_mm_per_cm2")
        return wording.density_and_interval(_estimate(known), "mm/cm²", limit=limit)
    limit = record.get("detection_limit_per_px")
    return wording.density_and_interval(_estimate(per_px), "px/px²", limit=limit)


def correction(record: dict[str, Any]) -> str:
    """Write the correction of a stored comparison."""
    from defectscan.report import wording  # noqa: PLC0415 - loads numpy

    known = record.get("correction_percent")
    at_least = known["low"] if known and record.get("correction_is_at_least") else None
    return wording.correction(_estimate(known, at_least=at_least))


def shown(text: str, most: int = LONGEST_SHOWN) -> str:
    """Return a text that cannot steer the terminal, cut where it is long."""
    text = text.replace("\N{NO-BREAK SPACE}", " ")
    plain = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
    return plain if len(plain) <= most else plain[: most - 1] + "…"


def _states(job: JobView) -> Table:
    table = _table(
        "Panel", "Material", "State", "Shots", "Line density", "Correction", numbers=(3,)
    )
    for panel in job.panels:
        material = panel.entry.content.material.value
        named = [(panel.name, panel.surface)]
        named += [
            (f"{panel.name}, spot {s.entry.content.name}", s.surface) for s in panel.test_spots
        ]
        for name, surface in named:
            if not surface.states and surface is panel.surface:
                table.add_row(*_cells(shown(name), material, "", "", "", ""))
            for state in surface.states:
                measured = (
                    "not measured" if state.score is None else density(state.score.content.record)
                )
                table.add_row(
                    *_cells(
                        shown(name),
                        material,
                        state.name,
                        len(state.shots),
                        measured,
                        _whole_correction(state, surface),
                    )
                )
    return table


def _whole_correction(state: StateView, surface: SurfaceView) -> str:
    told = _with_first(state, surface)
    if told is None:
        return ""
    return NOT_CURRENT if _measured_since(state, surface) else correction(told.record)


def _with_first(state: StateView, surface: SurfaceView) -> Result | None:
    """Return what is kept of a state's comparison with the first one, current or not."""
    first_id = surface.measured[0].entry.thing_id if surface.measured else None
    told = (entry.content for entry in state.comparisons)
    return next((one for one in told if one.before_state_id == first_id), None)


def _measured_since(state: StateView, surface: SurfaceView) -> bool:
    """Tell whether a state or the first one was measured anew since they were compared."""
    from defectscan.workshop.stored_figures import current_comparison  # noqa: PLC0415 - SciPy

    if state.score is None or _with_first(state, surface) is None:
        return False
    return current_comparison(surface.measured[0], state) is None


def _remarks(job: JobView) -> Iterable[str]:
    """Say of which states the figures are no longer those of the photos kept."""
    for name, surface in _named_surfaces(job):
        for state in surface.states:
            which = f"{shown(name)}, {state.name}"
            if state.withdrawn_sha256s:
                withdrawn = f"{len(state.withdrawn_sha256s)} photo(s) in the figures were withdrawn"
                yield f"{which}: {withdrawn} since. Measure it again with {_again(state)}."
            if _measured_since(state, surface):
                yield f"{which}: {_how_to_compare(surface.measured[0], state)}"


def _cannot_be_compared(surface: SurfaceView) -> Iterable[str]:
    """Say why the first and the last score cannot be compared, where they cannot."""
    scored = [(state, state.score.content) for state in surface.measured if state.score is not None]
    if scored and (reasons := incomparable(scored[0][1], scored[-1][1])):
        again = (
            "Measure both again, in the same way and each with its scale (--mm-per-px), with "
            f"{_again(scored[0][0])}, then {_again(scored[-1][0])}."
        )
        yield f"first and last score cannot be compared. {' '.join(reasons)} {again}"


def _again(state: StateView) -> str:
    return shown(again_command(state), LONGEST_COMMAND)


def _how_to_compare(first: StateView, state: StateView) -> str:
    """Say why the comparison kept is not current, and with which commands it is made anew."""
    scores = [one.score.content for one in (first, state) if one.score is not None]
    if measured_alike(scores[0], scores[-1]):
        measured = f"it or the state {first.name} was measured anew since they were compared"
        return f"{measured}. Compare them again with {_again(state)}."
    reasons = [*incomparable(scores[0], scores[-1]), unlike_scales(scores[0], scores[-1])]
    unlike = f"it and the state {first.name} were not measured alike."
    again = (
        "Measure both again, in the same way and each with its right scale, with "
        f"{_again(first)}, then {_again(state)}."
    )
    return " ".join(filter(None, [unlike, *reasons, again]))


def _passes(job: JobView) -> Table:
    table = _table(
        *(
            "Panel",
            "Pass",
            "Who",
            "Machine",
            "Pad",
            "Polish",
            "Speed",
            "Minutes",
            "Section",
            "Entry",
        ),
        numbers=(1, 7, 9),
    )
    for name, surface in _named_surfaces(job):
        for number, entry in enumerate(surface.passes, start=1):
            p = entry.content
            minutes = "" if p.time_min is None else f"{p.time_min:g}"
            done = map(shown, (p.who, p.machine, p.pad, p.polish, p.speed))
            table.add_row(
                *_cells(shown(name), number, *done, minutes, shown(p.section), entry.thing_id)
            )
    return table


def _film(job: JobView) -> Table:
    from defectscan.workshop.stored_figures import readings_by_spot  # noqa: PLC0415 - SciPy

    table = _table("Panel", "Film at", "After passes", "Readings, µm", "Mean, µm", numbers=(2, 4))
    for name, surface in _named_surfaces(job):
        for n_passes in sorted({surface.n_passes(e.content.after_pass_id) for e in surface.film}):
            for spot, values in sorted(readings_by_spot(surface, n_passes).items()):
                listed = " ".join(f"{value:g}" for value in values)
                mean = f"{sum(values) / len(values):.1f}"
                table.add_row(*_cells(shown(name), shown(spot), n_passes, listed, mean))
    return table


def _named_surfaces(job: JobView) -> Iterable[tuple[str, SurfaceView]]:
    for panel in job.panels:
        yield panel.name, panel.surface
        for spot in panel.test_spots:
            yield f"{panel.name}, spot {spot.entry.content.name}", spot.surface


def _said(content: Content) -> Iterable[str]:
    """Say in short what an entry holds; figures as JSON are left to the archive."""
    for each in fields(content):  # type: ignore[arg-type]
        value = getattr(content, each.name)
        if value in (None, "", 0) or isinstance(value, dict):
            continue
        name = each.name.removesuffix("_id").replace("_", " ")
        if each.name == "sha256s":
            yield f"{len(value)} photo(s)"
        elif each.name == "sha256":
            yield f"photo {value[:12]}"
        elif each.name.endswith("_id"):
            yield f"{name} {value}"
        else:
            yield f"{name} {value}"
    if isinstance(content, Result):
        told = content.record
        yield density(told) if content.before_state_id is None else correction(told)


def _table(*columns: str, numbers: Sequence[int]) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for index, column in enumerate(columns):
        justify: Any = "right" if index in numbers else "left"
        table.add_column(column, justify=justify, overflow="fold")
    return table


def _cells(*values: object) -> list[Text]:
    # As text, not markup: what a user typed is shown as it is.
    return [Text(str(value)) for value in values]


def _estimate(told: dict[str, Any] | None, at_least: float | None = None) -> "Estimate":
    from defectscan.report.content import Estimate  # noqa: PLC0415 - loads numpy

    told = told or {}
    value, low, high = (told.get(name) for name in ("value", "low", "high"))
    return Estimate(value=value, low=low, high=high, at_least=at_least)


def _local(recorded_at: str) -> str:
    local = local_time(recorded_at)
    return shown(recorded_at, 20) if local is None else local.strftime("%Y-%m-%d %H:%M")


def _console() -> Console:
    # Into a file or pipe lines are as long as they need to be; a terminal says its own width.
    width = None if sys.stdout.isatty() else 200
    return Console(file=sys.stdout, highlight=False, markup=False, width=width)
