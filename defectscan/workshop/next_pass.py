"""From what stands of a panel in the job book to the rule of the next pass."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from defectscan.version import __version__
from defectscan.workshop.book_entries import Entry, Pass
from defectscan.workshop.book_view import (
    PanelView,
    StateView,
    SurfaceView,
    again_command,
    state_name,
)
from defectscan.workshop.comparable import unlike_scales
from defectscan.workshop.decision import Decision, decide
from defectscan.workshop.evidence import Z95, Figure, UnusableFiguresError, digits
from defectscan.workshop.film import average_states
from defectscan.workshop.limits_file import limits_record
from defectscan.workshop.outlook import PanelState, WorkshopLimits
from defectscan.workshop.spot_trial import (
    SpotTrial,
    compare_test_spots,
    spots_in_order,
)
from defectscan.workshop.spots import SpotAnswer
from defectscan.workshop.stored_figures import (
    check_alike,
    correction_figure,
    current_comparison,
    figure,
    film_readings,
    line_density,
    made_by,
    n_withdrawn,
    reckoned_correction,
    score_of,
    unsettled_film,
)

# Of a density that nobody measured: it says next to nothing.
_OPEN_LOG_SD = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelCourse:
    """A panel's states, as the rule of the next pass takes them.

    Attributes
    ----------
    states
        In order, one pass between each and the next, from the first that was measured or whose
        film was read.
    last
        The state that is decided on.
    correction_percent
        From the first measured state to the last; reckoned from the two densities where they
        were not compared line by line.
    correction_undefined
        Whether too few lines were there before for a correction.
    notes
        What else to know about the entries.
    """

    states: tuple[PanelState, ...]
    last: StateView
    correction_percent: Figure | None
    correction_undefined: bool
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NextPass:
    """A decision with what it rests on.

    Attributes
    ----------
    panel, course, decision, limits, seed
        What was weighed, how, and what came of it.
    trial
        What the panel's test spots say; `None` where there are none that can be compared.
    trial_note
        The same in a sentence, or why they cannot be compared; empty without test spots.
    """

    panel: PanelView
    course: PanelCourse
    decision: Decision
    limits: WorkshopLimits
    seed: int
    trial: SpotTrial | None = None
    trial_note: str = ""

    @property
    def notes(self) -> tuple[str, ...]:
        """All that is worth knowing beside the figures."""
        trial = (self.trial_note,) if self.trial_note else ()
        return (*trial, *self.course.notes, *self.decision.notes)


def weigh_next_pass(panel: PanelView, limits: WorkshopLimits, *, seed: int) -> NextPass:
    """Weigh another pass on a panel of the job book.

    Parameters
    ----------
    panel
        As it stands.
    limits
        The workshop's.
    seed
        Of the draws behind the intervals.

    Raises
    ------
    UnusableFiguresError
        If it was not measured as it is now, or its results cannot be reckoned together.
    """
    course = course_of(panel)
    decision = decide(
        course.states,
        np.random.default_rng(seed),
        limits=limits,
        correction_percent=course.correction_percent,
        correction_undefined=course.correction_undefined,
        material=panel.entry.content.material.value,
    )
    trial, note = _spot_trial(panel, limits)
    return NextPass(
        panel=panel,
        course=course,
        decision=decision,
        limits=limits,
        seed=seed,
        trial=trial,
        trial_note=note,
    )


def course_of(panel: PanelView) -> PanelCourse:
    """Return a panel's states from the first that was measured or whose film was read.

    Raises
    ------
    UnusableFiguresError
        If it was not measured as it is now, a scale is not known, or results are unlike.
    """
    surface = panel.surface
    measured = {state.n_passes: state for state in surface.states if state.score is not None}
    last = measured.get(len(surface.passes))
    if last is None:
        raise _not_measured(panel, measured)
    first = measured[min(measured)]
    check_alike(panel.name, [(state.name, state) for state in measured.values()])
    read = [surface.n_passes(entry.content.after_pass_id) for entry in surface.film]
    numbers = range(min([first.n_passes, *read]), last.n_passes + 1)
    notes = _entry_notes(surface, measured, first, film_from=numbers[0])
    readings = []
    for number in numbers:
        kept, left_out = film_readings(surface, number)
        readings.append(kept)
        notes += [f"{state_name(number)}: {note}" for note in left_out]
    states = tuple(
        replace(
            _measured_state(panel, measured[number], surface.passes)
            if number in measured
            else _open_state(panel, measured, number),
            film=film,
            unsettled_um=unsettled_film(surface, number),
        )
        for number, film in zip(numbers, average_states(readings), strict=True)
    )
    correction, undefined = None, False
    if last is not first:
        compared = current_comparison(first, last)
        if compared is None:
            correction = reckoned_correction(panel.name, score_of(first), score_of(last))
        else:
            correction = correction_figure(compared.record)
        undefined = correction is None
        pair = f"{first.name} and {last.name}"
        if undefined:
            notes.append(
                f"The correction between {pair} is undefined: too few lines were there before."
            )
        elif compared is None:
            notes.append(
                f"{pair} were not compared line by line as they were last measured; the "
                "correction is reckoned from the two densities. "
                f"{unlike_scales(score_of(first), score_of(last))}".rstrip()
            )
    return PanelCourse(
        states=states,
        last=last,
        correction_percent=correction,
        correction_undefined=undefined,
        notes=tuple(notes),
    )


def next_pass_record(result: NextPass, *, job_number: int) -> dict[str, Any]:
    """Return the figures for JSON and for the job book."""
    decision, course = result.decision, result.course
    return {
        "format": "defectscan.next_pass/1",
        "version": __version__,
        "job": job_number,
        "panel": result.panel.name,
        "material": result.panel.entry.content.material,
        "state": course.last.name,
        "answer": decision.answer,
        "reason": decision.reason,
        "expectation": decision.expectation,
        "more_shots": decision.more_shots,
        "more_spots": decision.more_spots,
        "test_spots": None
        if result.trial is None
        else {
            "answer": result.trial.comparison.answer,
            "recommended": result.trial.comparison.recommended or None,
            "done": result.trial.done.get(result.trial.comparison.recommended),
            "reason": result.trial.comparison.reason,
        },
        "notes": result.notes,
        "cautions": decision.cautions,
        "assumptions": decision.assumptions,
        "limits": limits_record(result.limits),
        "seed": result.seed,
        "states": [
            {
                "name": state.name,
                "density_mm_per_cm2": state.density_mm_per_cm2 if state.measured else None,
                "shots": state.shots if state.measured else 0,
                "film_mean_um": None if state.film is None else state.film.mean_um,
                "film_thinnest_um": None if state.film is None else state.film.thinnest_um,
            }
            for state in course.states
        ],
        "picture": decision.picture,
    }


def _spot_trial(panel: PanelView, limits: WorkshopLimits) -> tuple[SpotTrial | None, str]:
    """Return what the panel's test spots say, and in a sentence what it means for the next pass."""
    if not panel.test_spots:
        return None, ""
    spots = spots_in_order(panel, [])
    try:
        trial = compare_test_spots(panel, spots, limits)
    except UnusableFiguresError as error:
        return None, f"The test spots of this panel are not taken account of: {error.what}."
    said = trial.comparison
    if said.answer is SpotAnswer.RECOMMENDED:
        done = trial.done[said.recommended]
        return trial, (
            f"The test spots of this panel recommend {done}, as on spot {said.recommended}: "
            f"{said.reason} They were judged on the paint as it was on the spots, not after the "
            "passes of the panel."
        )
    return trial, f"The test spots of this panel recommend nothing: {said.reason}"


def _measured_state(
    panel: PanelView, state: StateView, passes: Sequence[Entry[Pass]]
) -> PanelState:
    score = score_of(state)
    density = line_density(score)
    if density is None:
        raise UnusableFiguresError(
            f"the scale of {panel.name}, {state.name}, is not known",
            allowed="the next pass is weighed in mm of line per cm2",
            remedy=f"give it with {again_command(state, '--mm-per-px F')}",
        )
    kinds = score.record.get("kinds") or {}
    done = passes[state.n_passes - 1].content if state.n_passes else None
    return PanelState(
        name=state.name,
        density_mm_per_cm2=density,
        shots=len(score.sha256s) or 1,
        made_by=_alike_by(done),
        swirl_mm_per_cm2=figure(kinds.get("swirl")),
        machine_trail_mm_per_cm2=figure(kinds.get("machine_trail")),
        haze=figure(score.record.get("haze")),
    )


def _open_state(panel: PanelView, measured: Mapping[int, StateView], number: int) -> PanelState:
    """Return a state that was not measured, its density as good as unknown."""
    earlier = max((n for n in measured if n < number), default=None)
    later = min(n for n in measured if n > number)
    nearest = (later,) if earlier is None else (earlier, later)
    found = [line_density(score_of(measured[n])) for n in nearest]
    logs = [math.log(max(density.high / 4, density.value)) for density in found if density]
    middle = math.exp(sum(logs) / max(len(logs), 1))
    low, high = (middle * math.exp(z * _OPEN_LOG_SD) for z in (-Z95, Z95))
    return PanelState(
        name=state_name(number),
        density_mm_per_cm2=Figure(value=middle, low=low, high=high),
        made_by=_alike_by(panel.surface.passes[number - 1].content) if number else "",
        measured=False,
    )


def _alike_by(one: Pass | None) -> str:
    return "" if one is None else f"{made_by(one)}; {one.section.strip()}".casefold()


def _not_measured(panel: PanelView, measured: Mapping[int, StateView]) -> UnusableFiguresError:
    now = len(panel.surface.passes)
    there = [state for state in panel.surface.states if state.n_passes == now and state.shots]
    remedy = f"take some (`job shots PHOTO... {panel.surface.options}`)"
    if there:
        remedy = f"measure its photos with {again_command(there[0])}"
    what = f"{panel.name} is not measured as it is now, {state_name(now)}"
    if measured:
        what += f"; it was last measured {measured[max(measured)].name}"
    return UnusableFiguresError(
        what, allowed="the next pass is weighed on measured shots of the last state", remedy=remedy
    )


def _entry_notes(
    surface: SurfaceView, measured: Mapping[int, StateView], first: StateView, *, film_from: int
) -> list[str]:
    notes = []
    if first.n_passes:
        note = f"The panel was first measured {first.name}: the correction counts from there."
        if film_from:
            passes = "pass" if film_from == 1 else f"{film_from} passes"
            note += f" Film that the first {passes} took off is not in the figures."
        notes.append(note)
    for number, entry in enumerate(surface.passes, start=1):
        section = entry.content.section.strip()
        if number > film_from and section:
            notes.append(f"Pass {number} covered a part only ({section}).")
        if number > first.n_passes and number not in measured:
            notes.append(f"The panel was not measured {state_name(number)}; this is left open.")
    for state in measured.values():
        score = score_of(state)
        unseen = {shot.content.sha256 for shot in state.shots} - set(score.sha256s)
        if unseen:
            notes.append(f"{state.name}: {len(unseen)} photo(s) kept, but not in the figures.")
        if gone := n_withdrawn(state):
            notes.append(
                f"{state.name}: {gone} photo(s) in the figures were withdrawn since; measure "
                f"it again with {again_command(state)}."
            )
        deep = figure((score.record.get("kinds") or {}).get("deep_scratch"))
        if deep is not None and deep.value > 0:
            notes.append(f"{state.name}: deep scratches ({digits(deep.value)} mm/cm2) left out.")
        notes += [f"{state.name}: {flag['text']}" for flag in score.record.get("flags", [])]
    return notes
