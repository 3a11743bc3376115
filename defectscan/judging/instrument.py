"""The instrument as a rater: repeated shots of the same panels, by the same statistics."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from defectscan import pipeline
from defectscan.errors import DefectscanError
from defectscan.imaging.photo import list_photos
from defectscan.rater_statistics.agreement import krippendorff_alpha
from defectscan.rater_statistics.estimate import Result, Undefined
from defectscan.rater_statistics.gauge import GaugeStudy, study_gauge
from defectscan.rater_statistics.reliability import (
    IntraclassCorrelation,
    Repeatability,
    intraclass_correlation,
    repeatability,
)
from defectscan.workshop.book import Book
from defectscan.workshop.book_entries import Job
from defectscan.workshop.book_view import view_job

Floats = NDArray[Any]
STATES = ("before", "after")
TRUTH = "truth"  # what `render` writes beside its photos
ONE_CONDITION = "all"


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeat:
    """One shot of a panel in one state.

    Attributes
    ----------
    panel
        Panel and state.
    condition
        What was changed between the shots: lamp, phone, person.
    photo
        The file.
    mm_per_px
        Scale, where the job book knows it.
    """

    panel: str
    condition: str
    photo: Path
    mm_per_px: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reading:
    """A shot, measured by itself: its line density, `None` with a reason where it cannot be."""

    repeat: Repeat
    density: float | None
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class InstrumentResult:
    """What repeated shots say of the instrument.

    Attributes
    ----------
    readings
        Each shot.
    in_mm
        Whether densities are in mm per cm²; per pixel otherwise.
    repeatability
        Spread of shots of one panel under one condition, in the unit of the density.
    relative_percent
        The same in percent of the density, from logarithms.
    icc, alpha
        Agreement of single shots; of a table with one column a shot.
    gauge
        Panels by conditions by shots.
    """

    readings: tuple[Reading, ...]
    in_mm: bool
    repeatability: Repeatability | Undefined
    relative_percent: Repeatability | Undefined
    icc: IntraclassCorrelation | Undefined
    alpha: Result
    gauge: GaugeStudy | Undefined

    @property
    def panels(self) -> tuple[str, ...]:
        """The panels, in order."""
        return tuple(dict.fromkeys(one.repeat.panel for one in self.readings))

    @property
    def conditions(self) -> tuple[str, ...]:
        """The conditions, in order."""
        return tuple(dict.fromkeys(one.repeat.condition for one in self.readings))


def repeats_in(folder: Path) -> list[Repeat]:
    """List repeated shots: FOLDER/PANEL/CONDITION/PHOTOS, the conditions left out where all one.

    `before` and `after` anywhere in the path are states, which are panels of their own here; the
    folder `truth` is left out.

    Raises
    ------
    DefectscanError
        If there are none.
    """
    found = []
    folders = (
        [folder, *sorted(p for p in folder.rglob("*") if p.is_dir())] if folder.is_dir() else []
    )
    for place in folders:
        parts = list(place.relative_to(folder).parts)
        if TRUTH in parts or any(part.startswith(".") for part in parts):
            continue
        try:
            photos = list_photos(place)
        except DefectscanError:
            continue
        for photo in photos:
            inner = [part for part in parts if part not in STATES]
            state = next((part for part in [*parts, photo.stem] if part in STATES), "")
            panel = ", ".join([inner[0] if inner else folder.name, *([state] if state else [])])
            condition = " / ".join(inner[1:]) or ONE_CONDITION
            found.append(Repeat(panel=panel, condition=condition, photo=photo))
    if not found:
        raise DefectscanError(
            f"{folder} holds no repeated shots",
            allowed="a folder for each panel, in it photos, or a folder of photos for each lamp "
            "position, phone or person",
            remedy="name such a folder",
        )
    return found


def repeats_of(book: Book) -> list[Repeat]:
    """List the shots of all states of the job book that have more than one.

    Raises
    ------
    DefectscanError
        If there are none.
    """
    found = []
    for job in book.current(Job):
        view = view_job(book, job)
        for panel in view.panels:
            for state in panel.surface.states:
                shots = state.shots if len(state.shots) > 1 else ()
                name = f"job {view.entry.content.number}, {panel.name}, {state.name}"
                found += [
                    Repeat(
                        panel=name,
                        condition=ONE_CONDITION,
                        photo=book.photo_path(shot.content.sha256),
                        mm_per_px=shot.content.mm_per_px,
                    )
                    for shot in shots
                ]
    if not found:
        raise DefectscanError(
            "the job book has no state with two shots or more",
            allowed="repeatability needs repeated shots",
            remedy="name a folder of them with --instrument",
        )
    return found


def measure(
    repeats: Sequence[Repeat],
    *,
    mm_per_px: float | None,
    card_mm: float | None,
    seed: int,
    progress: Callable[[str], None],
) -> tuple[list[Reading], bool]:
    """Measure each shot by itself.

    Parameters
    ----------
    repeats
        The shots.
    mm_per_px, card_mm, seed
        As for `pipeline.score`.
    progress
        Called with the name of each photo when its turn comes.

    Returns
    -------
    readings
        In the order of the shots.
    in_mm
        Whether all have a scale; if not, densities are per pixel.
    """
    scores: list[Any] = []
    for one in repeats:
        progress(one.photo.name)
        try:
            scores.append(
                pipeline.score(
                    one.photo, mm_per_px=one.mm_per_px or mm_per_px, card_mm=card_mm, seed=seed
                )
            )
        except DefectscanError as error:
            scores.append(str(error))
    measured = [score for score in scores if not isinstance(score, str)]
    in_mm = bool(measured) and all(score.has_scale for score in measured)
    if not in_mm and any(score.has_scale for score in measured):
        raise DefectscanError(
            "some of the shots have a scale and some have none",
            allowed="repeated shots are compared in one unit",
            remedy="give --mm-per-px",
        )
    return [
        Reading(repeat=one, density=None, reason=score)
        if isinstance(score, str)
        else Reading(repeat=one, density=score.line_density.value)
        for one, score in zip(repeats, scores, strict=True)
    ], in_mm


def study_instrument(
    readings: Sequence[Reading], rng: np.random.Generator, *, in_mm: bool
) -> InstrumentResult:
    """Work out the instrument's repeatability and reproducibility.

    Parameters
    ----------
    readings
        From `measure`.
    rng
        Source of randomness for the gauge study's intervals.
    in_mm
        Whether densities are in mm per cm².
    """
    cells: dict[tuple[str, str], list[float]] = {}
    for one in readings:
        if one.density is not None:
            cells.setdefault((one.repeat.panel, one.repeat.condition), []).append(one.density)
    rows = _padded(list(cells.values()))
    panels: dict[str, list[float]] = {}
    for (panel, _), values in cells.items():
        panels.setdefault(panel, []).extend(values)
    table = _padded(list(panels.values()))
    relative: Repeatability | Undefined = Undefined(reason="a shot has no lines at all")
    if not np.any(rows <= 0):
        relative = repeatability(100 * np.log(rows))
    return InstrumentResult(
        readings=tuple(readings),
        in_mm=in_mm,
        repeatability=repeatability(rows),
        relative_percent=relative,
        icc=intraclass_correlation(table[:, : _whole_columns(table)]),
        alpha=krippendorff_alpha(table, scale="interval"),
        gauge=_gauge(cells, rng),
    )


def _gauge(
    cells: Mapping[tuple[str, str], list[float]], rng: np.random.Generator
) -> GaugeStudy | Undefined:
    """Study the panels that every condition has at least twice, by as many shots as all have."""
    names = list(dict.fromkeys(panel for panel, _ in cells))
    conditions = list(dict.fromkeys(condition for _, condition in cells))
    if len(conditions) < 2:
        return Undefined(
            reason="all shots are under one condition: reproducibility needs a folder for each "
            "lamp position, phone or person within each panel's"
        )
    least = min((len(v) for v in cells.values() if len(v) > 1), default=0)
    if least < 2:
        return Undefined(reason="no panel has two shots under one condition")
    readings = np.full((len(names), len(conditions), least), np.nan)
    for (panel, condition), values in cells.items():
        if len(values) >= least:
            readings[names.index(panel), conditions.index(condition)] = values[:least]
    return study_gauge(readings, rng)


def _padded(rows: Sequence[Sequence[float]]) -> Floats:
    width = max((len(row) for row in rows), default=1)
    return np.array([[*row, *[math.nan] * (width - len(row))] for row in rows]).reshape(-1, width)


def _whole_columns(table: Floats) -> int:
    """Return how many columns keep most readings in whole rows."""
    counts = (~np.isnan(table)).sum(axis=1)
    widths = range(1, table.shape[1] + 1)
    return max(widths, key=lambda width: width * int(np.sum(counts >= width)) * (width > 1))
