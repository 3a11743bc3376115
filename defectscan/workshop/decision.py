"""The next pass: done, another, a finer one, stop, or not enough evidence; with the reason."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from defectscan.workshop.answer import DENSITY, Answer, Ruling
from defectscan.workshop.cautions import cautions_for
from defectscan.workshop.decay import HABITS, PassHabits
from defectscan.workshop.decay_picture import DecayPicture, draw_picture
from defectscan.workshop.evidence import (
    LASTING_SD,
    MOST_SHOTS,
    Z95,
    Bounded,
    digits,
    log_density,
    shots_wanted,
    with_interval,
)
from defectscan.workshop.film_allows import film_allows, film_notes
from defectscan.workshop.outlook import (
    Expectation,
    Outlook,
    PanelState,
    WorkshopLimits,
    expect,
    look_ahead,
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Decision:
    """An answer with its reason; it orders nothing.

    Attributes
    ----------
    answer
        What to do next.
    reason
        One sentence with figures.
    expectation
        The figures.
    more_shots
        Of the last state, that would settle the question; `None` where shots are not what lacks,
        or too many would be needed.
    more_spots
        Further film-thickness spots that would settle the question; `None` likewise.
    notes
        What else to know about the figures.
    cautions
        What to mind at the panel.
    assumptions
        Limits that are not the workshop's own.
    picture
        Density against film taken off.
    """

    answer: Answer
    reason: str
    expectation: Expectation
    more_shots: int | None
    more_spots: int | None
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
    assumptions: tuple[str, ...]
    picture: DecayPicture


@dataclass(frozen=True, slots=True, kw_only=True)
class _Place:
    """Where a density lies by its target, and how far on the logarithmic scale."""

    side: Literal["under", "over", "open"]
    gap: float
    sd: float
    lasting_sd: float


def decide(
    states: Sequence[PanelState],
    rng: np.random.Generator,
    *,
    limits: WorkshopLimits | None = None,
    correction_percent: Bounded | None = None,
    correction_undefined: bool = False,
    material: str = "painted metal",
    habits: PassHabits = HABITS,
) -> Decision:
    """Weigh another pass on a panel.

    Parameters
    ----------
    states
        In order, one pass between each and the next; at least one. Correction and target count
        from the first that was measured; film read before counts too.
    rng
        Source of randomness.
    limits
        The workshop's; usual ones where `None`.
    correction_percent
        From the first measured state to the last, where they were compared groove by groove;
        otherwise reckoned from the two densities.
    correction_undefined
        Whether too few lines were there before for a correction; nothing is reckoned then that
        rests on one.
    material
        As in the job book.
    habits
        What is usual of passes.

    Raises
    ------
    UnusableFiguresError
        No state, or a figure that is none.
    """
    limits = limits or WorkshopLimits()
    outlook = look_ahead(
        states,
        limits,
        rng=rng,
        habits=habits,
        correction_percent=correction_percent,
        correction_undefined=correction_undefined,
    )
    expectation = expect(states, outlook, correction_percent)
    if outlook.target_known:
        ruling = _rule(states, limits, outlook, expectation, correction_percent)
    else:
        ruling = _without_target(states, limits, outlook, expectation)
    return Decision(
        answer=ruling.answer,
        reason=ruling.reason,
        expectation=expectation,
        more_shots=ruling.more_shots,
        more_spots=ruling.more_spots,
        notes=_notes(states, outlook, expectation),
        cautions=cautions_for(material, film_read=outlook.film_read, cut_known=outlook.cut_known),
        assumptions=limits.marks(),
        picture=draw_picture(states, outlook),
    )


def _rule(
    states: Sequence[PanelState],
    limits: WorkshopLimits,
    outlook: Outlook,
    expectation: Expectation,
    correction: Bounded | None,
) -> Ruling:
    first, now = states[outlook.first_measured], states[-1]
    total = _place(now.density_mm_per_cm2, first, now, limits, correction)
    left = _finish_left(first, now, limits, expectation)
    swirl_done = total.side == "under"
    if now.swirl_mm_per_cm2 is not None and not swirl_done:
        swirl_done = _place(now.swirl_mm_per_cm2, first, now, limits, None).side == "under"
    what = _against_target(limits, expectation)
    if swirl_done and left:
        film = film_allows(states, limits, outlook, expectation)
        if film.answer is not Answer.ANOTHER_PASS:
            return film
        reason = f"Swirls are done, but {left}; {film.reason}, and a finer one takes less."
        return Ruling(answer=Answer.FINER_PASS, reason=reason)
    if total.side == "under":
        return Ruling(answer=Answer.DONE, reason=f"{what}: reached, with the whole interval.")
    if total.side == "open":
        return _more_shots(now, total, what)
    return _over_target(states, limits, outlook, expectation)


def _over_target(
    states: Sequence[PanelState],
    limits: WorkshopLimits,
    outlook: Outlook,
    expectation: Expectation,
) -> Ruling:
    """Rule where the target is surely not reached."""
    what = _against_target(limits, expectation)
    film = film_allows(states, limits, outlook, expectation)
    if outlook.risen_over and film.answer is not Answer.STOP:
        reason = (
            f"{what}: not reached, and the density is surely higher than {outlook.risen_over}, so "
            "what another pass like the last would bring cannot be told; try another pad on a "
            "test spot."
        )
        return Ruling(answer=Answer.NOT_ENOUGH_EVIDENCE, reason=reason)
    if film.answer is not Answer.ANOTHER_PASS:
        return film
    expected = expectation.next_density_mm_per_cm2
    brings = (
        f"it would bring the density to {with_interval(expected, DENSITY)}"
        if expected is not None
        else "what it would bring is not known before a first measured pass"
    )
    reason = f"{what}: not reached, with the whole interval; {film.reason}; {brings}."
    return Ruling(answer=Answer.ANOTHER_PASS, reason=reason)


def _without_target(
    states: Sequence[PanelState],
    limits: WorkshopLimits,
    outlook: Outlook,
    expectation: Expectation,
) -> Ruling:
    """Rule where the target is a correction that is undefined."""
    film = film_allows(states, limits, outlook, expectation)
    if film.answer is Answer.STOP:
        return film
    reason = (
        "Correction undefined, too few lines were there before, so the target of "
        f"{digits(limits.correction_percent or 0)} % says nothing here; density "
        f"{with_interval(expectation.density_mm_per_cm2, DENSITY)}: set a target density, or "
        "judge by eye."
    )
    return Ruling(answer=Answer.NOT_ENOUGH_EVIDENCE, reason=reason)


def _place(
    density: Bounded,
    first: PanelState,
    last: PanelState,
    limits: WorkshopLimits,
    correction: Bounded | None,
) -> _Place:
    """Set a density of the last state beside the target; its own interval decides."""
    now = log_density(density, f"the density of {last.name}")
    percent = limits.correction_percent
    if percent is None:
        target = limits.target_density_mm_per_cm2 or 1.0
        side: Literal["under", "over", "open"] = "open"
        if density.high <= target:
            side = "under"
        elif density.low > target:
            side = "over"
        gap = now.middle - math.log(target)
        return _Place(side=side, gap=gap, sd=now.sd, lasting_sd=LASTING_SD)
    log_share = math.log(1 - percent / 100)
    if first is last and density is first.density_mm_per_cm2:
        return _Place(side="over", gap=-log_share, sd=0.0, lasting_sd=0.0)
    before = log_density(first.density_mm_per_cm2, f"the density of {first.name}")
    gap, sd = now.middle - before.middle - log_share, math.hypot(now.sd, before.sd)
    lasting = math.hypot(LASTING_SD, before.sd)
    low, high = gap - Z95 * sd, gap + Z95 * sd
    if correction is not None:
        shares = [
            max(1 - v / 100, 1e-4) for v in (correction.high, correction.value, correction.low)
        ]
        low, gap, high = (math.log(share) - log_share for share in shares)
        # Nothing bounds "at least" from above: there the side of the target says how sure it is.
        is_open = correction.high >= 100 and gap < 0
        shown = (high - gap) / Z95 if is_open else (high - low) / (2 * Z95)
        lasting *= shown / sd
        sd = shown
    side = "under" if high <= 0 else "over" if low > 0 else "open"
    return _Place(side=side, gap=gap, sd=sd, lasting_sd=lasting)


def _finish_left(
    first: PanelState, now: PanelState, limits: WorkshopLimits, expectation: Expectation
) -> str:
    """Say which machine trails or haze are surely left; empty where none are."""
    largest = limits.largest_trail_mm_per_cm2
    target = expectation.target_mm_per_cm2
    if largest is None and target is not None:
        largest = target.value / 4
    parts = []
    trail = now.machine_trail_mm_per_cm2
    if trail is not None and largest is not None and trail.low > largest:
        parts.append(
            f"machine trails of {with_interval(trail, DENSITY)} are left, over {digits(largest)}"
        )
    if now.haze is not None:
        most = limits.largest_haze
        if most is None and first.haze is not None and first is not now:
            most = first.haze.high
        if most is not None and now.haze.low > most:
            parts.append(f"haze of {with_interval(now.haze, '')} is left, over {digits(most)}")
    return " and ".join(parts).replace("  ", " ")


def _against_target(limits: WorkshopLimits, expectation: Expectation) -> str:
    density = with_interval(expectation.density_mm_per_cm2, DENSITY)
    percent = limits.correction_percent
    if percent is None:
        target = digits(limits.target_density_mm_per_cm2 or 0)
        return f"Density {density} against the target of {target} {DENSITY}"
    if expectation.correction_percent is None:
        return f"Density {density}, no correction yet against the target of {digits(percent)} %"
    correction = with_interval(expectation.correction_percent, "%")
    return f"Correction {correction} against the target of {digits(percent)} %, density {density}"


def _more_shots(now: PanelState, place: _Place, what: str) -> Ruling:
    n = shots_wanted(place.gap, place.sd, shots=now.shots, lasting_sd=place.lasting_sd)
    reason = f"{what}: the target lies within the interval"
    if n is None:
        reason += (
            f"; {MOST_SHOTS} more shots of this state would not settle it, for the gap is "
            "too small beside what other states and the method leave open: judge by eye."
        )
    else:
        reason += f"; take {n} more shot{'s' * (n > 1)} of this state."
    return Ruling(answer=Answer.NOT_ENOUGH_EVIDENCE, reason=reason, more_shots=n)


def _not_lowered(before: PanelState, after: PanelState) -> bool:
    both = before.measured and after.measured
    return both and after.density_mm_per_cm2.high >= before.density_mm_per_cm2.low


def _notes(
    states: Sequence[PanelState], outlook: Outlook, expectation: Expectation
) -> tuple[str, ...]:
    notes = []
    if outlook.n_passes == 0:
        yet = "No pass yet" if len(states) == 1 else "No pass between two measured states yet"
        notes.append(f"{yet}: what one brings shows on a test spot, or after the first.")
    elif outlook.n_passes == 1 and not outlook.risen_over:
        notes.append(
            "One pass only: how much alike passes differ is taken from what is usual, so the "
            "interval of the next is wide."
        )
    if outlook.n_passes and _not_lowered(*states[-2:]):
        notes.append("The last pass has not lowered the density beyond doubt; try another pad.")
    passes = expectation.passes_to_target
    if passes is not None and passes.low > 1:
        notes.append(
            f"One pass like the last would not reach the target; {with_interval(passes, 'passes')}"
            " would."
        )
    notes += film_notes(states, outlook)
    return tuple(notes)
