"""The next pass: done, another, a finer one, stop, or not enough evidence; with the reason."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

import numpy as np

from defectscan.workshop.cautions import cautions_for
from defectscan.workshop.decay import HABITS, PassHabits
from defectscan.workshop.decay_picture import DecayPicture, draw_picture
from defectscan.workshop.evidence import (
    LASTING_SD,
    MOST_SHOTS,
    Z95,
    Bounded,
    Figure,
    digits,
    log_density,
    shots_wanted,
    with_interval,
)
from defectscan.workshop.film import LEAST_READINGS, UNNAMED, spots_that_count, surely_thicker
from defectscan.workshop.outlook import (
    Expectation,
    Outlook,
    PanelState,
    WorkshopLimits,
    expect,
    look_ahead,
)

DENSITY = "mm/cm2"
SURE = 0.975
MOST_NAMED = 5


class Answer(StrEnum):
    """What to do next, as far as photos and readings can tell."""

    DONE = "done"
    ANOTHER_PASS = "another pass"  # noqa: S105 - a pass of the machine
    FINER_PASS = "finer pass"  # noqa: S105 - the same
    STOP = "stop"
    NOT_ENOUGH_EVIDENCE = "not enough evidence"


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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ruling:
    """Answer, reason and what would settle it."""

    answer: Answer
    reason: str
    more_shots: int | None = None
    more_spots: int | None = None


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
) -> _Ruling:
    first, now = states[outlook.first_measured], states[-1]
    total = _place(now.density_mm_per_cm2, first, now, limits, correction)
    left = _finish_left(first, now, limits, expectation)
    swirl_done = total.side == "under"
    if now.swirl_mm_per_cm2 is not None and not swirl_done:
        swirl_done = _place(now.swirl_mm_per_cm2, first, now, limits, None).side == "under"
    what = _against_target(limits, expectation)
    if swirl_done and left:
        film = _film_allows(states, limits, outlook, expectation)
        if film.answer is not Answer.ANOTHER_PASS:
            return film
        reason = f"Swirls are done, but {left}; {film.reason}, and a finer one takes less."
        return _Ruling(answer=Answer.FINER_PASS, reason=reason)
    if total.side == "under":
        return _Ruling(answer=Answer.DONE, reason=f"{what}: reached, with the whole interval.")
    if total.side == "open":
        return _more_shots(now, total, what)
    return _over_target(states, limits, outlook, expectation)


def _over_target(
    states: Sequence[PanelState],
    limits: WorkshopLimits,
    outlook: Outlook,
    expectation: Expectation,
) -> _Ruling:
    """Rule where the target is surely not reached."""
    what = _against_target(limits, expectation)
    film = _film_allows(states, limits, outlook, expectation)
    if outlook.risen_over and film.answer is not Answer.STOP:
        reason = (
            f"{what}: not reached, and the density is surely higher than {outlook.risen_over}, so "
            "what another pass like the last would bring cannot be told; try another pad on a "
            "test spot."
        )
        return _Ruling(answer=Answer.NOT_ENOUGH_EVIDENCE, reason=reason)
    if film.answer is not Answer.ANOTHER_PASS:
        return film
    expected = expectation.next_density_mm_per_cm2
    brings = (
        f"it would bring the density to {with_interval(expected, DENSITY)}"
        if expected is not None
        else "what it would bring is not known before a first measured pass"
    )
    reason = f"{what}: not reached, with the whole interval; {film.reason}; {brings}."
    return _Ruling(answer=Answer.ANOTHER_PASS, reason=reason)


def _without_target(
    states: Sequence[PanelState],
    limits: WorkshopLimits,
    outlook: Outlook,
    expectation: Expectation,
) -> _Ruling:
    """Rule where the target is a correction that is undefined."""
    film = _film_allows(states, limits, outlook, expectation)
    if film.answer is Answer.STOP:
        return film
    reason = (
        "Correction undefined, too few lines were there before, so the target of "
        f"{digits(limits.correction_percent or 0)} % says nothing here; density "
        f"{with_interval(expectation.density_mm_per_cm2, DENSITY)}: set a target density, or "
        "judge by eye."
    )
    return _Ruling(answer=Answer.NOT_ENOUGH_EVIDENCE, reason=reason)


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


def _more_shots(now: PanelState, place: _Place, what: str) -> _Ruling:
    n = shots_wanted(place.gap, place.sd, shots=now.shots, lasting_sd=place.lasting_sd)
    reason = f"{what}: the target lies within the interval"
    if n is None:
        reason += (
            f"; {MOST_SHOTS} more shots of this state would not settle it, for the gap is "
            "too small beside what other states and the method leave open: judge by eye."
        )
    else:
        reason += f"; take {n} more shot{'s' * (n > 1)} of this state."
    return _Ruling(answer=Answer.NOT_ENOUGH_EVIDENCE, reason=reason, more_shots=n)


def _film_allows(
    states: Sequence[PanelState],
    limits: WorkshopLimits,
    outlook: Outlook,
    expectation: Expectation,
) -> _Ruling:
    """Rule whether the film allows another pass like the last; the reason is a clause."""
    ruling = _settled_film_allows(states, limits, outlook, expectation)
    if ruling.answer is Answer.ANOTHER_PASS:
        return _read_again(states, limits, outlook) or ruling
    return ruling


def _read_again(
    states: Sequence[PanelState], limits: WorkshopLimits, outlook: Outlook
) -> _Ruling | None:
    """Ask for readings where too few, or such as disagree, are not surely over the reserve."""
    removed, doubtful = outlook.decay.removed_um, []
    for number, state in enumerate(states):
        later = [one.film.spots for one in states[number + 1 :] if one.film is not None]
        since = np.maximum(removed[:, -1] - removed[:, number], 0)
        for name, um in state.unsettled_um.items():
            settled = name != UNNAMED and any(name in spots for spots in later)
            margin = um - since - outlook.decay.next_film_um - limits.reserve
            if not settled and float(np.mean(margin >= 0)) < SURE:
                doubtful.append((um, f"{name} ({digits(um)} um, {state.name})"))
    if not doubtful:
        return None
    named = [text for _, text in sorted(doubtful)[:MOST_NAMED]]
    if len(doubtful) > MOST_NAMED:
        named.append(f"{len(doubtful) - MOST_NAMED} more")
    reason = (
        f"Whether the film allows a pass is open: the readings at spot {', '.join(named)} are too "
        "few or disagree, and a pass might leave less there than the reserve of "
        f"{digits(limits.reserve)} um; take {LEAST_READINGS} readings that agree there, or "
        "withdraw what was read wrongly."
    )
    return _Ruling(answer=Answer.NOT_ENOUGH_EVIDENCE, reason=reason, more_spots=len(doubtful))


def _settled_film_allows(
    states: Sequence[PanelState],
    limits: WorkshopLimits,
    outlook: Outlook,
    expectation: Expectation,
) -> _Ruling:
    """Rule the same by the spots that count, all others left aside."""
    cut, removed = expectation.pass_film_um, expectation.removed_um
    if cut is None or removed is None:
        reason = (
            "the film is unknown, so whether the panel can bear a pass has to be measured first"
        )
        return _Ruling(answer=Answer.ANOTHER_PASS, reason=reason)
    thin, after = expectation.thinnest_um, expectation.thinnest_after_um
    takes = f"a pass like the last would take {with_interval(cut, 'um')}"
    budget = f"{with_interval(removed, 'um')} of at most {digits(limits.largest_removal)} um is off"
    if thin is not None and after is not None:
        budget += (
            f" and would leave {with_interval(after, 'um')} at the thinnest spot, with a reserve "
            f"of {digits(limits.reserve)} um"
        )
    margin = outlook.budget_um - outlook.decay.next_film_um
    fits = float(np.mean(margin >= 0))
    deep = float(np.mean(outlook.need_um > outlook.budget_um))
    if fits <= 1 - SURE:
        return _Ruling(
            answer=Answer.STOP, reason=f"The film does not allow it: {takes}, while {budget}."
        )
    need = expectation.target_film_um
    may = f"{with_interval(Figure.of_draws(np.maximum(outlook.budget_um, 0)), 'um')} may still"
    if need is not None and deep >= SURE:
        reason = (
            f"What is left is deeper than what may be removed: the target would cost "
            f"{with_interval(need, 'um')}, and {may} be taken off."
        )
        return _Ruling(answer=Answer.STOP, reason=reason)
    if outlook.risen_over and deep >= SURE:
        reason = (
            f"The density is surely higher than {outlook.risen_over}, and {may} be taken off: "
            "passes like the last do not reach the target with that."
        )
        return _Ruling(answer=Answer.STOP, reason=reason)
    if fits >= SURE:
        allows = "the film allows it" if thin is not None else "the workshop's figure allows it"
        return _Ruling(answer=Answer.ANOTHER_PASS, reason=f"{allows}: {takes}, {budget}")
    spots = _more_spots(states, outlook, margin)
    if thin is None:
        remedy = "read the film of this panel first"
    elif spots is None:
        remedy = "more readings would not settle it: try a lighter pass on a test spot, or stop"
    else:
        remedy = f"read {spots} more spot{'s' * (spots > 1)}"
    reason = f"Whether the film allows a pass is open: {takes}, while {budget}; {remedy}."
    return _Ruling(answer=Answer.NOT_ENOUGH_EVIDENCE, reason=reason, more_spots=spots)


def _more_spots(states: Sequence[PanelState], outlook: Outlook, margin: np.ndarray) -> int | None:
    """Return how many more film-thickness spots would settle whether a pass fits."""
    films = [state.film for state in states if state.film is not None]
    if not films:
        return None
    return shots_wanted(
        float(np.median(margin)),
        float(np.std(margin)),
        shots=films[-1].n_spots,
        lasting_sd=float(np.std(outlook.decay.next_film_um)),
    )


def _not_lowered(before: PanelState, after: PanelState) -> bool:
    both = before.measured and after.measured
    return both and after.density_mm_per_cm2.high >= before.density_mm_per_cm2.low


def _not_read_again(states: Sequence[PanelState]) -> list[str]:
    """Name the spots, thinner than any of the last readings, that earlier readings tell of."""
    read = [(state, state.film) for state in states if state.film is not None]
    counting = spots_that_count([film for _, film in read])
    notes = []
    for (state, film), names in zip(read[:-1], counting[:-1], strict=True):
        means = {name: film.spots[name].mean_um for name in names}
        thin = [name for name in names if means[name] < read[-1][1].thinnest_um.value]
        if thin:
            listed = ", ".join(f"{name} ({digits(means[name])} um)" for name in thin[:MOST_NAMED])
            notes.append(
                f"Thinner than the last readings: {state.name}, the film at spot {listed}. It "
                "counts, less what the passes took since; read it again before any pass."
            )
    return notes


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
    if outlook.film_read and states[-1].film is None:
        notes.append("The film was not read after the last pass; it is reckoned from earlier ones.")
    for number, rise in surely_thicker([state.film for state in states]).items():
        notes.append(
            f"The film reads {digits(rise)} um thicker {states[number].name} than before, and film "
            "does not grow: other places, dirt or another gauge? What the passes took off is "
            "reckoned without these readings; read the film again."
        )
    notes += _not_read_again(states)
    for state in states:
        if state.film is not None:
            notes += [f"{state.name}: {note}" for note in state.film.notes]
    return tuple(notes)
