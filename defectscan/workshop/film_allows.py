"""Whether what is left of the film allows another pass, by all that was read of it."""

from collections.abc import Sequence

import numpy as np

from defectscan.workshop.answer import SURE, Answer, Ruling
from defectscan.workshop.evidence import Figure, digits, shots_wanted, with_interval
from defectscan.workshop.film import LEAST_READINGS, UNNAMED, spots_that_count, surely_thicker
from defectscan.workshop.outlook import Expectation, Outlook, PanelState, WorkshopLimits

MOST_NAMED = 5


def film_allows(
    states: Sequence[PanelState],
    limits: WorkshopLimits,
    outlook: Outlook,
    expectation: Expectation,
) -> Ruling:
    """Rule whether the film allows another pass like the last; the reason is a clause."""
    ruling = _settled_film_allows(states, limits, outlook, expectation)
    if ruling.answer is Answer.ANOTHER_PASS:
        return _read_again(states, limits, outlook) or ruling
    return ruling


def _read_again(
    states: Sequence[PanelState], limits: WorkshopLimits, outlook: Outlook
) -> Ruling | None:
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
    return Ruling(answer=Answer.NOT_ENOUGH_EVIDENCE, reason=reason, more_spots=len(doubtful))


def _settled_film_allows(
    states: Sequence[PanelState],
    limits: WorkshopLimits,
    outlook: Outlook,
    expectation: Expectation,
) -> Ruling:
    """Rule the same by the spots that count, all others left aside."""
    cut, removed = expectation.pass_film_um, expectation.removed_um
    if cut is None or removed is None:
        reason = (
            "the film is unknown, so whether the panel can bear a pass has to be measured first"
        )
        return Ruling(answer=Answer.ANOTHER_PASS, reason=reason)
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
        return Ruling(
            answer=Answer.STOP, reason=f"The film does not allow it: {takes}, while {budget}."
        )
    need = expectation.target_film_um
    may = f"{with_interval(Figure.of_draws(np.maximum(outlook.budget_um, 0)), 'um')} may still"
    if need is not None and deep >= SURE:
        reason = (
            f"What is left is deeper than what may be removed: the target would cost "
            f"{with_interval(need, 'um')}, and {may} be taken off."
        )
        return Ruling(answer=Answer.STOP, reason=reason)
    if outlook.risen_over and deep >= SURE:
        reason = (
            f"The density is surely higher than {outlook.risen_over}, and {may} be taken off: "
            "passes like the last do not reach the target with that."
        )
        return Ruling(answer=Answer.STOP, reason=reason)
    if fits >= SURE:
        allows = "the film allows it" if thin is not None else "the workshop's figure allows it"
        return Ruling(answer=Answer.ANOTHER_PASS, reason=f"{allows}: {takes}, {budget}")
    spots = _more_spots(states, outlook, margin)
    if thin is None:
        remedy = "read the film of this panel first"
    elif spots is None:
        remedy = "more readings would not settle it: try a lighter pass on a test spot, or stop"
    else:
        remedy = f"read {spots} more spot{'s' * (spots > 1)}"
    reason = f"Whether the film allows a pass is open: {takes}, while {budget}; {remedy}."
    return Ruling(answer=Answer.NOT_ENOUGH_EVIDENCE, reason=reason, more_spots=spots)


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


def film_notes(states: Sequence[PanelState], outlook: Outlook) -> list[str]:
    """Say what of the readings does not fit together, or was not read."""
    notes = []
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
    return notes


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
