"""The next pass and the test spots on the terminal: answer, reason, figures, notes, cautions."""

import sys
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from defectscan.cli.job_tables import shown
from defectscan.workshop.evidence import Figure, digits, with_interval
from defectscan.workshop.spots import Reach, SpotAnswer

if TYPE_CHECKING:
    from defectscan.workshop.book_view import JobView
    from defectscan.workshop.next_pass import NextPass
    from defectscan.workshop.spot_trial import SpotTrial

LONGEST = 2000
_FIGURES = (
    ("density_mm_per_cm2", "Line density now, but deep scratches", "mm/cm2"),
    ("target_mm_per_cm2", "Target", "mm/cm2"),
    ("correction_percent", "Correction so far", "%"),
    ("surviving_percent", "Left by a usual pass", "%"),
    ("next_density_mm_per_cm2", "Density after another pass like the last", "mm/cm2"),
    ("next_correction_percent", "Correction after it", "%"),
    ("passes_to_target", "Passes like it to the target", ""),
    ("pass_film_um", "Film it would take off", "um"),
    ("removed_um", "Film taken off so far", "um"),
    ("target_film_um", "Film that the target would cost", "um"),
    ("depth_um", "Mean groove depth", "um"),
    ("thinnest_um", "Thinnest spot read, now", "um"),
    ("thinnest_after_um", "Thinnest spot after it", "um"),
    ("thinnest_at_target_um", "Thinnest spot at the target", "um"),
)


def print_next_pass(result: "NextPass", view: "JobView") -> None:
    """Print a decision."""
    console, decision = _console(), result.decision
    console.print(Text(f"{_head(view)}, {shown(result.panel.name)}, {result.course.last.name}"))
    answer = decision.answer.value
    console.print(Text(f"{answer[0].upper()}{answer[1:]}", style="bold"))
    console.print(_text(decision.reason))
    table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 3, 0, 0))
    for name, label, unit in _FIGURES:
        figure = getattr(decision.expectation, name)
        if figure is not None:
            table.add_row(Text(label), Text(_figure(figure, unit)))
    if decision.expectation.thinnest_um is None:
        table.add_row(Text("Film that is left"), Text("not known"))
    console.print()
    console.print(table)
    _print_lists(
        console, notes=result.notes, cautions=decision.cautions, assumptions=decision.assumptions
    )


def print_spots(trial: "SpotTrial", view: "JobView") -> None:
    """Print what test spots say side by side."""
    console, comparison = _console(), trial.comparison
    console.print(Text(f"{_head(view)}, {shown(trial.panel.name)}, test spots"))
    answer = comparison.answer.value
    answer = f"{answer[0].upper()}{answer[1:]}"
    if comparison.answer is SpotAnswer.RECOMMENDED:
        name = comparison.recommended
        answer += f": {shown(name)} ({shown(trial.done[name])})"
    console.print(Text(answer, style="bold"))
    console.print(_text(comparison.reason))
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    columns = ("Rank", "Spot", "Done with", "Correction", "Film taken", "Target", "Like", "Shots")
    for column in columns:
        table.add_column(column, overflow="fold")
    for row in comparison.ranking:
        film = "not read" if row.film_um is None else with_interval(row.film_um, "um")
        wanted = "" if row.more_shots is None else f"{row.more_shots} more"
        if row.reach is Reach.OPEN and row.more_shots is None:
            wanted = "would not settle it"
        cells = (
            *(str(row.rank), shown(row.name), shown(trial.done[row.name])),
            *(with_interval(row.correction_percent, "%"), film, row.reach.value),
            *(", ".join(map(shown, row.alike)), wanted),
        )
        table.add_row(*map(Text, cells))
    console.print(table)
    _print_lists(
        console,
        notes=trial.notes,
        cautions=comparison.cautions,
        assumptions=comparison.assumptions,
    )


def _print_lists(
    console: Console,
    *,
    notes: Iterable[str],
    cautions: Iterable[str],
    assumptions: Iterable[str],
) -> None:
    titled = (
        ("Notes", notes),
        ("Cautions", cautions),
        ("Limits not the workshop's own", assumptions),
    )
    for title, lines in titled:
        items = list(_items(lines))
        if items:
            console.print(Text(f"\n{title}", style="bold"))
            table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 1, 0, 0))
            for item in items:
                table.add_row(Text("-"), item)
            console.print(table)


def _figure(figure: Figure, unit: str) -> str:
    if figure.low == figure.high and not figure.at_least:
        return f"{digits(figure.value)} {unit}"
    return with_interval(figure, unit).replace("  ", " ")


def _items(lines: Iterable[str]) -> Iterator[Text]:
    for line in dict.fromkeys(lines):
        yield _text(line)


def _text(line: str) -> Text:
    # As text, not markup, and cleaned: names that a user typed stand in it.
    return Text(shown(line, LONGEST))


def _head(view: "JobView") -> str:
    return f"Job {view.entry.content.number} {shown(view.entry.content.title)}"


def _console() -> Console:
    # Into a file or pipe lines are as long as they need to be; a terminal says its own width.
    width = None if sys.stdout.isatty() else 200
    return Console(file=sys.stdout, highlight=False, markup=False, width=width)
