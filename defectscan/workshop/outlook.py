"""What the passes so far let one expect of another: density, film taken, film left."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from defectscan.workshop.decay import HABITS, Decay, PassHabits, fit_decay
from defectscan.workshop.evidence import (
    Z95,
    Bounded,
    Figure,
    LogFigure,
    UnusableFiguresError,
    check_interval,
    correction_between,
    log_density,
)
from defectscan.workshop.film import Film, spots_that_count, surely_thicker, thinnest_of

Floats = NDArray[Any]

# Common practice, without a source.
USUAL_CORRECTION_PERCENT = 80.0
USUAL_RESERVE_UM = 80.0
USUAL_LARGEST_REMOVAL_UM = 6.0
UNSOURCED = "common practice, without a source; set the workshop's own"


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelState:
    """A panel at one time: density by kind, and film.

    Attributes
    ----------
    name
        As the report prints it.
    density_mm_per_cm2
        Of all lines but deep scratches, with its 95 % interval.
    shots
        Photos the density rests on.
    film
        Film-thickness readings of this state; `None` without.
    unsettled_um
        Spots whose readings are too few or disagree, by name: the least of them.
    made_by
        Machine, pad and polish of the pass that led here; passes with equal texts are alike.
    swirl_mm_per_cm2, machine_trail_mm_per_cm2, haze
        Where known.
    measured
        Whether anybody measured the density; if not, it is left as good as open.
    """

    name: str
    density_mm_per_cm2: Bounded
    shots: int = 1
    film: Film | None = None
    unsettled_um: Mapping[str, float] = field(default_factory=dict)
    made_by: str = ""
    swirl_mm_per_cm2: Bounded | None = None
    machine_trail_mm_per_cm2: Bounded | None = None
    haze: Bounded | None = None
    measured: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkshopLimits:
    """What the workshop wants and allows. Fields left `None` take the usual value, marked so.

    Attributes
    ----------
    target_density_mm_per_cm2, target_correction_percent
        One of them: the density to reach, or the correction from the first state on.
    reserve_um
        Least gauge reading, all layers together, that must remain at the thinnest spot.
    largest_removal_um
        Most film that may be taken off a panel in all passes.
    largest_trail_mm_per_cm2
        Machine trails that may stay; a quarter of the target where `None`.
    largest_haze
        Haze that may stay; where `None`, what the first state had.
    usual_cut_um
        The workshop's own figure for the film that one pass takes off; `None` where it has none.
    """

    target_density_mm_per_cm2: float | None = None
    target_correction_percent: float | None = None
    reserve_um: float | None = None
    largest_removal_um: float | None = None
    largest_trail_mm_per_cm2: float | None = None
    largest_haze: float | None = None
    usual_cut_um: Bounded | None = None

    def __post_init__(self) -> None:
        density, percent = self.target_density_mm_per_cm2, self.target_correction_percent
        if density is not None and percent is not None:
            raise UnusableFiguresError(
                f"two targets, {density:g} mm/cm2 and {percent:g} %",
                allowed="a target is a density or a correction",
                remedy="leave one of them out",
            )
        if percent is not None and not 0 < percent < 100:
            raise UnusableFiguresError(
                f"the target correction is {percent:g} %",
                allowed="it lies between 0 and 100 %",
                remedy="set another target",
            )
        for name in ("target_density_mm_per_cm2", "largest_removal_um", "reserve_um"):
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and value > 0):
                raise UnusableFiguresError(
                    f"the workshop's {name.replace('_', ' ')} is {value:g}",
                    allowed="it is above 0",
                    remedy="set another limit",
                )

    @property
    def correction_percent(self) -> float | None:
        """The target correction, `None` where the target is a density."""
        if self.target_density_mm_per_cm2 is not None:
            return None
        return self.target_correction_percent or USUAL_CORRECTION_PERCENT

    @property
    def target_is_usual(self) -> bool:
        """Whether the target is not the workshop's own."""
        return self.target_density_mm_per_cm2 is None and self.target_correction_percent is None

    @property
    def reserve(self) -> float:
        """The reserve that holds, um."""
        return USUAL_RESERVE_UM if self.reserve_um is None else self.reserve_um

    @property
    def largest_removal(self) -> float:
        """The largest removal that holds, um."""
        usual = self.largest_removal_um is None
        return USUAL_LARGEST_REMOVAL_UM if usual else float(self.largest_removal_um or 0)

    def marks(self) -> tuple[str, ...]:
        """Return a line for each limit that is not the workshop's own."""
        lines = []
        if self.target_is_usual:
            lines.append(f"Target: correction of {USUAL_CORRECTION_PERCENT:g} % ({UNSOURCED}).")
        if self.reserve_um is None:
            lines.append(f"Reserve: {self.reserve:g} um, all layers together ({UNSOURCED}).")
        if self.largest_removal_um is None:
            lines.append(f"Largest removal per panel: {self.largest_removal:g} um ({UNSOURCED}).")
        return tuple(lines)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outlook:
    """Draws of what another pass like the last would bring; row i of all arrays belongs together.

    Attributes
    ----------
    decay
        What the passes so far leave possible.
    correction_undefined
        Whether too few lines were there before for a correction.
    risen_over
        The earlier state that the last is surely denser than, so that nothing can be said of
        another pass like the last; empty where it is not.
    target_known
        Whether the target is a density, or a correction that is defined.
    log_target
        Shape (n,): logarithm of the target density; not a number where it is not known.
    thinnest_um
        Shape (n,): film at the thinnest spot now, each spot from its last reading; not a number
        without readings.
    removed_um
        Shape (n,): film taken off so far; the most that was off at any state, for none grows.
    budget_um
        Shape (n,): film that may still be taken off: down to the reserve at the thinnest spot,
        and within the largest removal; infinite where nothing is known of film.
    need_um
        Shape (n,): film that the target would cost; likewise.
    film_read
        Whether there are readings.
    cut_known
        Whether readings or the workshop's own figure tell the film that a pass takes off.
    first_measured
        Index of the first state that was measured: correction and target count from it.
    n_passes
        Passes since that state.
    """

    decay: Decay
    correction_undefined: bool
    risen_over: str
    target_known: bool
    log_target: Floats
    thinnest_um: Floats
    removed_um: Floats
    budget_um: Floats
    need_um: Floats
    film_read: bool
    cut_known: bool
    first_measured: int
    n_passes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectation:
    """Figures behind a decision; `None` where they are not known.

    Where the last state is surely denser than an earlier one, nothing is known of what further
    passes do to the density.

    Attributes
    ----------
    density_mm_per_cm2
        Of the last state, as measured.
    target_mm_per_cm2
        The target density; for a target correction, reckoned from the first measured state, and
        `None` where that correction is undefined, as are all figures that rest on it.
    correction_percent
        Since the first measured state; `None` where that is the last, or it is undefined.
    surviving_percent
        Share of the density that a usual pass leaves.
    depth_um
        Mean groove depth delta; needs film.
    next_density_mm_per_cm2
        After another pass like the last; needs a pass since the first measured state.
    next_correction_percent
        Since the first measured state, after that pass.
    pass_film_um
        Film that this pass would take off.
    removed_um
        Film taken off so far, since the first state that was measured or has readings.
    thinnest_um, thinnest_after_um
        Film at the thinnest spot now and after that pass, all layers together.
    target_film_um
        Film that the target would cost from now on.
    thinnest_at_target_um
        What would be left at the thinnest spot.
    passes_to_target
        Passes like the last that the target would take.
    """

    density_mm_per_cm2: Figure
    target_mm_per_cm2: Figure | None
    correction_percent: Figure | None
    surviving_percent: Figure | None
    depth_um: Figure | None
    next_density_mm_per_cm2: Figure | None
    next_correction_percent: Figure | None
    pass_film_um: Figure | None
    removed_um: Figure | None
    thinnest_um: Figure | None
    thinnest_after_um: Figure | None
    target_film_um: Figure | None
    thinnest_at_target_um: Figure | None
    passes_to_target: Figure | None


def look_ahead(
    states: Sequence[PanelState],
    limits: WorkshopLimits,
    *,
    rng: np.random.Generator,
    habits: PassHabits = HABITS,
    correction_percent: Bounded | None = None,
    correction_undefined: bool = False,
) -> Outlook:
    """Reckon what another pass like the last would bring, and what the target would cost.

    Parameters
    ----------
    states
        Of one panel in order, one pass between each and the next; at least one. The first need
        not be measured, where its film was read.
    limits
        The workshop's.
    rng
        Source of randomness.
    habits
        What is usual of passes.
    correction_percent
        From the first state to the last, where known apart from the densities.
    correction_undefined
        Whether too few lines were there before for a correction.

    Raises
    ------
    UnusableFiguresError
        No state, or a figure that is none.
    """
    if not states:
        raise UnusableFiguresError(
            "a panel without any measured state",
            allowed="at least the state before polishing",
            remedy="enter shots of the panel first",
        )
    if limits.usual_cut_um is not None:
        cut = log_density(limits.usual_cut_um, "the usual cut")
        habits = replace(habits, film_um=LogFigure(middle=cut.middle, sd=max(cut.sd, 0.1)))
    first = next((number for number, state in enumerate(states) if state.measured), 0)
    films = [state.film for state in states]
    read = [number for number, film in enumerate(films) if film is not None]
    measured = [log_density(s.density_mm_per_cm2, f"the density of {s.name}") for s in states]
    rise = _rise(states, measured)
    # A rise says no more of a usual pass than no change does: taken as it is, it would be read as
    # a strong pass that failed once, and the next be foretold the better the worse the last was.
    thicker = surely_thicker(films)
    decay = fit_decay(
        [*measured[:-1], replace(measured[-1], middle=measured[-1].middle - rise)],
        rng,
        film_um=[
            None if film is None or number in thicker else _mean_and_error(film)
            for number, film in enumerate(films)
        ],
        alike=[s.made_by == states[-1].made_by for s in states[1:]],
        habits=habits,
    )
    decay = _from_higher(decay, rise)
    n = len(decay.log_reduction)
    percent = limits.correction_percent
    target_known = percent is None or not correction_undefined
    if not target_known:
        log_target = np.full(n, math.nan)
    elif percent is None:
        log_target = np.full(n, math.log(limits.target_density_mm_per_cm2 or 1))
    else:
        log_target = decay.log_density[:, first] + math.log(1 - percent / 100)
    over = np.maximum(decay.log_density[:, -1] - log_target, 0)
    thinnest = np.full(n, math.nan)
    removed = decay.removed_um.max(axis=1)
    budget = np.full(n, math.inf)
    cut_known = bool(read) or limits.usual_cut_um is not None
    if cut_known:
        budget = limits.largest_removal - removed
    if read:
        thinnest = _thinnest(films, decay, rng)
        budget = np.minimum(budget, thinnest - limits.reserve)
    return Outlook(
        decay=decay,
        correction_undefined=correction_undefined,
        risen_over=_risen_over(states, measured, correction_percent),
        target_known=target_known,
        log_target=log_target,
        thinnest_um=thinnest,
        removed_um=removed,
        budget_um=budget,
        need_um=over * decay.depth_um,
        film_read=bool(read),
        cut_known=cut_known,
        first_measured=first,
        n_passes=len(states) - 1 - first,
    )


def expect(
    states: Sequence[PanelState], outlook: Outlook, correction: Bounded | None
) -> Expectation:
    """Sum up an outlook in figures.

    Parameters
    ----------
    states
        As given to `look_ahead`.
    outlook
        From it.
    correction
        As measured groove by groove, percent; reckoned from the densities where `None`.
    """
    decay, passes = outlook.decay, outlook.n_passes > 0
    foretold = passes and not outlook.risen_over
    start, now = states[outlook.first_measured], states[-1].density_mm_per_cm2
    first = decay.log_density[:, outlook.first_measured]
    defined = passes and not outlook.correction_undefined
    aimed = foretold and outlook.target_known
    if correction is None and defined:
        before = log_density(start.density_mm_per_cm2, start.name)
        correction = correction_between(before, log_density(now, states[-1].name))
    thinnest = outlook.thinnest_um

    def when(known: bool, draws: Floats) -> Figure | None:
        return Figure.of_draws(draws) if known else None

    return Expectation(
        density_mm_per_cm2=as_figure(now),
        target_mm_per_cm2=when(outlook.target_known, np.exp(outlook.log_target)),
        correction_percent=as_figure(correction) if correction is not None else None,
        surviving_percent=when(foretold, 100 * np.exp(-decay.log_reduction)),
        depth_um=when(foretold and outlook.cut_known, decay.depth_um),
        next_density_mm_per_cm2=when(foretold, np.exp(decay.next_log_density)),
        next_correction_percent=when(
            foretold and defined, 100 * (1 - np.exp(decay.next_log_density - first))
        ),
        pass_film_um=when(outlook.cut_known, decay.next_film_um),
        removed_um=when(outlook.cut_known, outlook.removed_um),
        thinnest_um=when(outlook.film_read, thinnest),
        thinnest_after_um=when(outlook.film_read, thinnest - decay.next_film_um),
        target_film_um=when(aimed and outlook.cut_known, outlook.need_um),
        thinnest_at_target_um=when(aimed and outlook.film_read, thinnest - outlook.need_um),
        passes_to_target=when(
            aimed,
            np.maximum(decay.log_density[:, -1] - outlook.log_target, 0) / decay.log_reduction,
        ),
    )


def _rise(states: Sequence[PanelState], measured: Sequence[LogFigure]) -> float:
    """Return by how much the logarithm of the last density lies over the one measured before."""
    pairs = zip(states[:-1], measured[:-1], strict=True)
    earlier = [log for state, log in pairs if state.measured]
    return max(measured[-1].middle - earlier[-1].middle, 0.0) if earlier else 0.0


def _risen_over(
    states: Sequence[PanelState], measured: Sequence[LogFigure], correction: Bounded | None
) -> str:
    """Return the name of the latest state that the last is surely denser than."""
    last = measured[-1]
    for state, log in reversed(list(zip(states[:-1], measured[:-1], strict=True))):
        error = math.hypot(last.sd_towards(log.middle), log.sd_towards(last.middle))
        if state.measured and last.middle - log.middle > Z95 * error:
            return state.name
    worse = correction is not None and correction.high < 0
    return next((state.name for state in states if state.measured), "") if worse else ""


def _from_higher(decay: Decay, rise: float) -> Decay:
    """Let the last state, and what is foretold from it, begin so much higher."""
    logs = decay.log_density.copy()
    logs[:, -1] += rise
    return replace(decay, log_density=logs, next_log_density=decay.next_log_density + rise)


def as_figure(bounded: Bounded) -> Figure:
    """Return a figure of this module's own kind."""
    if isinstance(bounded, Figure):
        return bounded
    return Figure(value=bounded.value, low=bounded.low, high=bounded.high)


def _thinnest(films: Sequence[Film | None], decay: Decay, rng: np.random.Generator) -> Floats:
    """Draw the film at the thinnest spot now, shape (n,): last readings, less what went since."""
    left = []
    for number, (film, names) in enumerate(zip(films, spots_that_count(films), strict=True)):
        if film is None or not names:
            continue
        thin = thinnest_of(film.spots, names)
        drawn = rng.normal(thin.value, (thin.high - thin.low) / (2 * Z95), len(decay.pass_um))
        since = decay.removed_um[:, -1] - decay.removed_um[:, number]
        left.append(drawn - np.maximum(since, 0))
    return np.min(left, axis=0)


def _mean_and_error(film: Film) -> tuple[float, float]:
    """Return the mean, and an error that carries how few spots it rests on."""
    check_interval(film.mean_um, "the film thickness")
    return film.mean_um.value, (film.mean_um.high - film.mean_um.low) / (2 * Z95)
