"""What each combination of machine, pad and polish brought, over all jobs of the book."""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from typing import Any

from defectscan.rater_statistics.estimate import Estimate
from defectscan.version import __version__
from defectscan.workshop.book_entries import Pass
from defectscan.workshop.book_sheets import Cell, Sheet
from defectscan.workshop.book_view import JobView, StateView, SurfaceView
from defectscan.workshop.comparable import incomparable
from defectscan.workshop.evidence import (
    Figure,
    LogFigure,
    UnusableFiguresError,
    log_share_left,
)
from defectscan.workshop.film import film_taken
from defectscan.workshop.pooling import LEAST_PASSES, pool_corrections, spent_per_point
from defectscan.workshop.stored_figures import (
    correction_figure,
    current_comparison,
    film_readings,
    line_density,
    made_by,
    reckoned_correction,
    score_of,
)

NOT_A_TRIAL = (
    "Combinations were used on different vehicles, paints and states: these figures tell what "
    "they brought there, not which is better on one panel. Test spots on one panel tell that."
)
FORMAT = "defectscan.shop_view/1"


@dataclass(frozen=True, slots=True, kw_only=True)
class Treatment:
    """What was done to a panel or test spot between two measured states.

    Attributes
    ----------
    done
        Machine, pad and polish of the pass, or of several in order.
    job_number, panel
        Where.
    correction_percent, log_share
        What it brought, from the first of the two states to the second.
    minutes
        Time it took; `None` where it is not known or was not spent on a whole panel.
    film_um
        Film taken off, where it was read in both states.
    version
        Of the program that measured.
    """

    done: str
    job_number: int
    panel: str
    correction_percent: Figure
    log_share: LogFigure
    minutes: float | None
    film_um: Figure | None
    version: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CombinationView:
    """One combination over all jobs.

    Attributes
    ----------
    done
        Machine, pad and polish.
    n, n_jobs
        Times that it was measured before and after, and jobs that this was in.
    correction_percent
        Pooled.
    lowest_percent, highest_percent
        Of the single times.
    minutes_per_point, film_um_per_point
        Spent for each point of correction; `None` where nobody entered it.
    n_timed, n_read
        Times that these rest on.
    """

    done: str
    n: int
    n_jobs: int
    correction_percent: Estimate
    lowest_percent: float
    highest_percent: float
    minutes_per_point: Estimate | None
    film_um_per_point: Estimate | None
    n_timed: int
    n_read: int

    @property
    def too_few(self) -> bool:
        """Whether there are too few to say what is usual."""
        return self.n < LEAST_PASSES


@dataclass(frozen=True, slots=True, kw_only=True)
class ShopView:
    """All combinations, the largest correction first, those with too few passes last.

    Attributes
    ----------
    n_jobs, n_passes
        In the book.
    notes
        What was left out and why, and what to mind.
    """

    combinations: tuple[CombinationView, ...]
    n_jobs: int
    n_passes: int
    notes: tuple[str, ...]


class _LeftOutError(Exception):
    """Say why what was done between two states has no figures."""


def view_shop(jobs: Sequence[JobView]) -> ShopView:
    """Put together what each combination brought over some jobs."""
    left_out: Counter[str] = Counter()
    treatments = [t for job in jobs for t in _treatments(job, left_out)]
    by_name: dict[str, list[Treatment]] = {}
    for treatment in treatments:
        by_name.setdefault(treatment.done.casefold(), []).append(treatment)
    views = [_combination(alike) for alike in by_name.values()]
    views.sort(key=lambda view: (view.too_few, -view.correction_percent.value, view.done))
    notes = [f"{count} pass(es) left out: {reason}." for reason, count in left_out.most_common()]
    versions = sorted({treatment.version for treatment in treatments})
    if len(versions) > 1:
        notes.append(
            f"Figures of the versions {', '.join(versions)} of the program are put together; "
            "each correction was measured with one of them alone."
        )
    if bounded := sum(treatment.correction_percent.at_least for treatment in treatments):
        notes.append(
            f'{bounded} correction(s) are "at least": what was left is no more than photos can '
            "tell from nothing. They count with their most likely value."
        )
    if treatments:
        notes.append(NOT_A_TRIAL)
    surfaces = [surface for job in jobs for _, surface, _ in _surfaces(job)]
    return ShopView(
        combinations=tuple(views),
        n_jobs=len(jobs),
        n_passes=sum(len(surface.passes) for surface in surfaces),
        notes=tuple(notes),
    )


def shop_record(view: ShopView) -> dict[str, Any]:
    """Return the figures for JSON."""
    return {
        "format": FORMAT,
        "version": __version__,
        "jobs": view.n_jobs,
        "passes": view.n_passes,
        "least_passes": LEAST_PASSES,
        "combinations": view.combinations,
        "notes": view.notes,
    }


def shop_sheet(view: ShopView) -> Sheet:
    """Return the figures as a table for a workshop's own sheets."""
    rows: list[tuple[Cell, ...]] = [
        (
            each.done,
            each.n,
            each.n_jobs,
            *_cells(each.correction_percent),
            each.lowest_percent,
            each.highest_percent,
            *_cells(each.minutes_per_point),
            each.n_timed,
            *_cells(each.film_um_per_point),
            each.n_read,
            "too few" if each.too_few else "",
        )
        for each in view.combinations
    ]
    columns = ["done", "passes", "jobs", "correction_percent", "correction_low", "correction_high"]
    columns += ["lowest_percent", "highest_percent"]
    for name in ("minutes_per_point", "film_um_per_point"):
        columns += [name, f"{name}_low", f"{name}_high", f"passes_with_{name.split('_')[0]}"]
    return Sheet(name="combinations", columns=(*columns, "remark"), rows=tuple(rows))


def _combination(alike: Sequence[Treatment]) -> CombinationView:
    timed = [(t.minutes, t.correction_percent.value) for t in alike if t.minutes is not None]
    read = [(t.film_um.value, t.correction_percent.value) for t in alike if t.film_um is not None]
    values = [treatment.correction_percent.value for treatment in alike]
    return CombinationView(
        done=alike[0].done,
        n=len(alike),
        n_jobs=len({treatment.job_number for treatment in alike}),
        correction_percent=pool_corrections([treatment.log_share for treatment in alike]),
        lowest_percent=min(values),
        highest_percent=max(values),
        minutes_per_point=spent_per_point([x for x, _ in timed], [y for _, y in timed]),
        film_um_per_point=spent_per_point([x for x, _ in read], [y for _, y in read]),
        n_timed=len(timed),
        n_read=len(read),
    )


def _surfaces(job: JobView) -> Iterator[tuple[str, SurfaceView, bool]]:
    """Yield each surface with its name, and whether it is a whole panel."""
    for panel in job.panels:
        yield panel.name, panel.surface, True
        for spot in panel.test_spots:
            yield f"{panel.name}, spot {spot.entry.content.name}", spot.surface, False


def _treatments(job: JobView, left_out: Counter[str]) -> Iterator[Treatment]:
    for name, surface, whole in _surfaces(job):
        measured = [state for state in surface.states if state.score is not None]
        seen = 0
        for before, after in pairwise(measured):
            seen += after.n_passes - before.n_passes
            if after.n_passes == before.n_passes:
                continue
            try:
                yield _treatment(job, name, surface, before, after, whole=whole)
            except (_LeftOutError, UnusableFiguresError) as why:
                odd = isinstance(why, UnusableFiguresError)
                reason = "a stored figure cannot be reckoned with" if odd else str(why)
                left_out[reason] += after.n_passes - before.n_passes
        if seen < len(surface.passes):
            left_out["not measured both before and after"] += len(surface.passes) - seen


def _treatment(
    job: JobView,
    name: str,
    surface: SurfaceView,
    before: StateView,
    after: StateView,
    *,
    whole: bool,
) -> Treatment:
    passes = [entry.content for entry in surface.passes[before.n_passes : after.n_passes]]
    correction = _correction(before, after)
    whole = whole and not any(one.section.strip() for one in passes)
    times = [one.time_min for one in passes if one.time_min is not None]
    films = [film_readings(surface, state.n_passes)[0] for state in (before, after)]
    return Treatment(
        done=_done(passes),
        job_number=job.entry.content.number,
        panel=name,
        correction_percent=correction,
        log_share=log_share_left(correction, name),
        minutes=sum(times) if whole and len(times) == len(passes) else None,
        film_um=film_taken(films[0], films[1]).mean_um if films[0] and films[1] else None,
        version=score_of(after).version,
    )


def _correction(before: StateView, after: StateView) -> Figure:
    first, last = score_of(before), score_of(after)
    if first.settings.get("as_seen") or last.settings.get("as_seen"):
        raise _LeftOutError("visible lines only, not corrected for the lamp")
    compared = current_comparison(before, after)
    if compared is not None:
        correction = correction_figure(compared.record)
    elif incomparable(first, last) or None in (line_density(first), line_density(last)):
        raise _LeftOutError("the results before and after cannot be compared")
    else:
        correction = reckoned_correction("it", first, last)
    if correction is None:
        raise _LeftOutError("the correction is undefined, too few lines were there before")
    return correction


def _done(passes: Iterable[Pass]) -> str:
    """Say what was done, passes that were made alike told once."""
    names = [" ".join(made_by(one).split()) for one in passes]
    if not all(names):
        raise _LeftOutError("nobody entered machine, pad or polish")
    told = [(name, len(list(alike))) for name, alike in groupby(names, key=str.casefold)]
    named = {name.casefold(): name for name in reversed(names)}
    return "; then ".join(
        f"{count} times {named[key]}" if count > 1 else named[key] for key, count in told
    )


def _cells(estimate: Estimate | None) -> tuple[Cell, Cell, Cell]:
    return (None, None, None) if estimate is None else (estimate.value, estimate.low, estimate.high)
