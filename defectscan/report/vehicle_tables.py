"""What the job book says of a panel beside its photos: states, passes, film, test spots."""

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace

from defectscan.report import stored, wording
from defectscan.report.content import DensityUnit, Estimate
from defectscan.report.figures import Bar, BarGroup, draw_bars
from defectscan.report.page import Block, Chart, Charts, Section, Table, Text
from defectscan.report.wording import typed
from defectscan.workshop.book_view import PanelView, StateView, SurfaceView, state_name
from defectscan.workshop.cautions import (
    ALL_LAYERS,
    FILM_ON_TEST_SPOTS,
    FILM_UNKNOWN,
    OF_MATERIAL,
)
from defectscan.workshop.evidence import Bounded, Figure, UnusableFiguresError
from defectscan.workshop.film import average_film, film_taken
from defectscan.workshop.outlook import WorkshopLimits
from defectscan.workshop.spot_trial import (
    SpotTrial,
    compare_test_spots,
    spots_in_order,
)
from defectscan.workshop.stored_figures import (
    current_comparison,
    film_readings,
    readings_by_spot,
)

_MOST_STATES = 5
_PASS_HEAD = ("Pass", "Who", "Machine", "Pad", "Polish", "Speed", "Minutes", "Section")
_PASS_WIDTHS = (15, 20, 26, 26, 30, 20, 17, 26)


def work_sections(panel: PanelView, limits: WorkshopLimits) -> tuple[Section, ...]:
    """Put what was done to a panel and read on it into reading order."""
    surfaces = [("", panel.surface)]
    surfaces += [(f"Spot {s.entry.content.name}, ", s.surface) for s in panel.test_spots]
    passes = _passes(surfaces)
    sections = [
        Section(title="State by state", blocks=_course(panel.surface)),
        Section(title="Passes", blocks=(passes,) if passes.rows else ()),
        Section(title="Film thickness", blocks=_film(panel)),
        Section(title="Test spots", blocks=_spots(panel, limits)),
    ]
    return tuple(section for section in sections if section.blocks)


def passes_minutes(surfaces: Iterable[SurfaceView]) -> tuple[int, float, int]:
    """Return how many passes there were, the minutes of those timed, and how many these are."""
    times = [entry.content.time_min for surface in surfaces for entry in surface.passes]
    timed = [time for time in times if time is not None]
    return len(times), sum(timed), len(timed)


def density_text(record: stored.Record) -> str:
    """Write the line density of a stored score."""
    told, unit = _density(record)
    return wording.density_and_interval(told, unit, limit=stored.detection_limit(record))


def _density(record: stored.Record) -> tuple[Estimate, DensityUnit]:
    if stored.has_scale(record):
        return stored.estimate(record["line_density_mm_per_cm2"]), "mm/cm²"
    return stored.estimate(record.get("line_density_per_px")), "px/px²"


def _course(surface: SurfaceView) -> tuple[Block, ...]:
    """Show every measured state where there are more than the two that are compared above."""
    measured = [state for state in surface.states if state.score is not None]
    if len(measured) < 3:
        return ()
    rows, bars = [], []
    unit: DensityUnit = "mm/cm²"
    for state in measured:
        record = _record(state)
        estimate, unit = _density(record)
        compared = None if state is measured[0] else current_comparison(measured[0], state)
        text = "" if compared is None else wording.correction(stored.correction(compared.record))
        if compared is None and state is not measured[0]:
            text = "not compared line by line"
        photos = str(len(record.get("shots") or ()) or len(state.shots))
        rows.append((_sentence(state.name), photos, density_text(record), text))
        ink = "before" if state is measured[0] else "after"
        label = _sentence(state.name)
        bars.append(Bar(label=label, text=density_text(record), estimate=estimate, ink=ink))  # type: ignore[arg-type]
    units = {_density(_record(state))[1] for state in measured}
    table = Table(head=("State", "Photos", "Line density", "Correction so far"), rows=tuple(rows))
    caption = (
        "Line density of each state, counted by itself. Where two states are compared, both are "
        "counted above the same contrast, and the figures differ a little from these."
    )
    if len(units) > 1:
        return (table, Text(paragraphs=(caption,), small=True))
    described = "Line density: " + "; ".join(f"{bar.label} {bar.text}" for bar in bars) + "."
    drawing = draw_bars([BarGroup(title="", bars=tuple(bars))], unit=unit, description=described)
    return (Charts(charts=(Chart(drawing=drawing, caption=caption),)), table)


def _passes(surfaces: Iterable[tuple[str, SurfaceView]]) -> Table:
    rows = []
    for name, surface in surfaces:
        for number, entry in enumerate(surface.passes, start=1):
            p = entry.content
            minutes = "" if p.time_min is None else wording.number(p.time_min)
            cells = (p.who, p.machine, p.pad, p.polish, p.speed)
            label = f"{typed(name, 60)} pass {number}" if name else str(number)
            rows.append((label, *map(typed, cells), minutes, typed(p.section)))
    first = 30 if any(len(row[0]) > 3 for row in rows) else _PASS_WIDTHS[0]
    # What nobody entered for any pass needs no column.
    kept = [0, *(i for i in range(1, len(_PASS_HEAD)) if any(row[i] for row in rows))]
    return Table(
        head=tuple(_PASS_HEAD[i] for i in kept),
        rows=tuple(tuple(row[i] for i in kept) for row in rows),
        widths=tuple((first, *_PASS_WIDTHS[1:])[i] for i in kept),
    )


def _film(panel: PanelView) -> tuple[Block, ...]:
    surface = panel.surface
    on_spots = [(s.entry.content.name, s.surface) for s in panel.test_spots if s.surface.film]
    tables: list[Table] = []
    notes: list[str] = []
    if surface.film:
        table, notes = _panel_film(surface)
        tables.append(table)
    elif on_spots:
        notes = [FILM_ON_TEST_SPOTS]
    elif surface.passes:
        notes = [FILM_UNKNOWN]
    if on_spots:
        table, left_out = _spots_film(on_spots)
        tables.append(table)
        notes += left_out
    notes += [ALL_LAYERS] if tables else []
    special = OF_MATERIAL.get(panel.entry.content.material.value)
    notes += [special] if special else []
    texts = tuple(_micrometres(note, 400) for note in notes)
    return (*tables, Text(paragraphs=texts, small=True)) if texts else ()


def _panel_film(surface: SurfaceView) -> tuple[Table, list[str]]:
    """List a panel's own readings by place and state, and what to know of them."""
    numbers = _read_after(surface)
    shown = numbers if len(numbers) <= _MOST_STATES else [numbers[0], *numbers[1 - _MOST_STATES :]]
    readings = {number: readings_by_spot(surface, number) for number in shown}
    places = list(dict.fromkeys(place for told in readings.values() for place in told))
    rows = [
        (typed(place, 60), *(_place_mean(readings[number].get(place)) for number in shown))
        for place in places
    ]
    kept = {number: film_readings(surface, number) for number in shown}
    averages = {n: average_film(told) for n, (told, _) in kept.items() if told}
    if averages:
        means = (_figure(averages[n].mean_um) if n in averages else "" for n in shown)
        rows.append(("Mean of the spots", *means))
        thinnest = (_figure(averages[n].thinnest_um) if n in averages else "" for n in shown)
        rows.append(("Thinnest spot", *thinnest))
    notes = [f"{_sentence(state_name(n))}: {note}" for n in shown for note in kept[n][1]]
    if len(shown) < len(numbers):
        notes.append("Readings of states between the first and the last ones are left out here.")
    notes = _taken(kept[shown[0]][0], kept[shown[-1]][0]) + notes if len(shown) > 1 else notes
    head = ("Spot, µm", *(_sentence(state_name(number)) for number in shown))
    return Table(head=head, rows=tuple(rows)), notes


def _spots_film(spots: Iterable[tuple[str, SurfaceView]]) -> tuple[Table, list[str]]:
    """List the readings on test spots by state and place, and which of them do not count."""
    rows, notes = [], []
    for name, surface in spots:
        for number in _read_after(surface):
            when = _sentence(state_name(number))
            for place, values in readings_by_spot(surface, number).items():
                thinnest = wording.number(min(values), 4)
                rows.append(
                    (typed(name, 60), when, typed(place, 60), _place_mean(values), thinnest)
                )
            notes += [
                f"Test spot {name}, {state_name(number)}: {note}"
                for note in film_readings(surface, number)[1]
            ]
    head = ("Test spot", "State", "Place", "Mean, µm", "Thinnest reading, µm")
    return Table(head=head, rows=tuple(rows), widths=(40, 30, 40, 40, 30)), notes


def _read_after(surface: SurfaceView) -> list[int]:
    """Return after how many passes the film was read."""
    return sorted({surface.n_passes(entry.content.after_pass_id) for entry in surface.film})


def _place_mean(values: Sequence[float] | None) -> str:
    if not values:
        return ""
    mean, plural = wording.number(sum(values) / len(values), 4), "s" * (len(values) > 1)
    return f"{mean} ({len(values)} reading{plural})"


def _taken(first: dict[str, list[float]] | None, last: dict[str, list[float]] | None) -> list[str]:
    if first is None or last is None:
        return []
    taken = film_taken(first, last)
    return [f"Film taken off between the first and the last readings: {_figure(taken.mean_um)} µm."]


def _spots(panel: PanelView, limits: WorkshopLimits) -> tuple[Block, ...]:
    if not panel.test_spots:
        return ()
    spots = spots_in_order(panel, [])
    try:
        trial = compare_test_spots(panel, spots, limits)
    except UnusableFiguresError as error:
        return (Text(paragraphs=(_micrometres(f"{_sentence(error.what)}.", 400),)),)
    reasons = (
        _sentence(trial.comparison.answer.value) + ".",
        _micrometres(trial.comparison.reason, 600),
    )
    return (Text(paragraphs=reasons), _ranking(trial))


def _ranking(trial: SpotTrial) -> Table:
    rows = tuple(
        (
            typed(row.name, 60),
            typed(trial.done[row.name]),
            _percent(row.correction_percent),
            "not read" if row.film_um is None else f"{_figure(row.film_um)} µm",
            row.reach.value,
            typed(", ".join(row.alike)),
        )
        for row in trial.comparison.ranking
    )
    head = ("Spot", "Done with", "Correction", "Film taken", "Target", "Cannot be told from")
    return Table(head=head, rows=rows, widths=(20, 46, 36, 30, 24, 24))


def _percent(figure: Figure) -> str:
    at_least = figure.low if figure.at_least else None
    return wording.correction(replace(_estimate(figure), at_least=at_least))


def _figure(figure: Bounded) -> str:
    estimate = _estimate(figure)
    return f"{wording.plain(estimate)} ({wording.density_interval(estimate)})"


def _estimate(figure: Bounded) -> Estimate:
    return Estimate(value=figure.value, low=figure.low, high=figure.high)


def _record(state: StateView) -> stored.Record:
    return {} if state.score is None else state.score.content.record


def _micrometres(text: str, most: int) -> str:
    return typed(re.sub(r"\bum\b", "µm", text), most)


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]
