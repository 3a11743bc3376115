"""Test spots side by side: which pad and polish reach the target, and which of them is gentlest.

Squares are compared on the logarithm of the share of line density that is left. All statements
about one set of squares hold together: their p-values are Holm's, so that the chance of any false
one is at most 5 %.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from numpy.typing import NDArray
from scipy.special import ndtri

from defectscan.workshop.cautions import cautions_for
from defectscan.workshop.evidence import (
    LASTING_SD,
    Z95,
    Bounded,
    Figure,
    LogFigure,
    UnusableFiguresError,
    check_interval,
    digits,
    log_density,
    log_share_left,
    shots_wanted,
    with_interval,
)
from defectscan.workshop.outlook import WorkshopLimits, as_figure
from defectscan.workshop.pairwise import (
    ERROR_RATE,
    Difference,
    adjust_by_holm,
    tell_apart,
    two_sided,
)

Floats = NDArray[Any]

FEWEST, MOST = 2, 6
UNORDERED = "not known"
BY_ORDER = "the order given, from the gentlest on"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Combination:
    """A machine, pad and polish tried on one taped square.

    Attributes
    ----------
    name
        As the report prints it.
    correction_percent
        With its 95 % interval; `None` where draws are given.
    correction_draws_percent
        Shape (n,): draws of the correction, in place of the interval.
    density_after_mm_per_cm2
        Needed where the target is a density.
    film_um
        Film taken off, with its interval; `None` without readings.
    shots
        Photos of the square after polishing.
    """

    name: str
    correction_percent: Bounded | None = None
    correction_draws_percent: Floats | None = None
    density_after_mm_per_cm2: Bounded | None = None
    film_um: Bounded | None = None
    shots: int = 1


class Reach(StrEnum):
    """Whether a square reaches the target, all squares judged at once."""

    REACHES = "reaches the target"
    MISSES = "misses the target"
    OPEN = "open"


class SpotAnswer(StrEnum):
    """What the squares say."""

    RECOMMENDED = "recommended"
    NONE_REACHES = "none reaches the target"
    NOT_ENOUGH_EVIDENCE = "not enough evidence"


@dataclass(frozen=True, slots=True, kw_only=True)
class Ranked:
    """A square in the ranking.

    Attributes
    ----------
    rank
        1 for the largest correction.
    name
        Of the combination.
    correction_percent, film_um
        With their intervals.
    reach
        Whether it reaches the target.
    alike
        Combinations whose correction cannot be told from this one's.
    more_shots
        That would settle whether it reaches the target; `None` where settled, or too many.
    """

    rank: int
    name: str
    correction_percent: Figure
    film_um: Figure | None
    reach: Reach
    alike: tuple[str, ...]
    more_shots: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SpotComparison:
    """What the test spots say; it orders nothing.

    Attributes
    ----------
    answer
        In short.
    recommended
        Name of the gentlest combination that reaches the target; empty where none is.
    reason
        One sentence with figures.
    ranking
        By correction, the largest first.
    differences
        All pairs.
    gentle_by
        What gentleness was judged by.
    notes, cautions, assumptions
        What else to know; what to mind; limits that are not the workshop's own.
    """

    answer: SpotAnswer
    recommended: str
    reason: str
    ranking: tuple[Ranked, ...]
    differences: tuple[Difference, ...]
    gentle_by: str
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
    assumptions: tuple[str, ...]


def compare_spots(
    squares: Sequence[Combination],
    *,
    limits: WorkshopLimits | None = None,
    material: str = "painted metal",
    ordered: bool = True,
) -> SpotComparison:
    """Rank test spots, and name the gentlest combination that reaches the target.

    Gentlest is the one that took off least film; unless all squares have readings, none of which
    shows surely more film than before, the first in the order given, which is then the user's
    own from the gentlest to the strongest. Where the order is nobody's own either, none of
    several that reach the target is called the gentlest.

    Parameters
    ----------
    squares
        Two to six.
    limits
        The workshop's; usual ones where `None`.
    material
        As in the job book.
    ordered
        Whether the order given is the user's own.

    Raises
    ------
    UnusableFiguresError
        Too few or too many squares, a name used twice, or a figure that is none.
    """
    limits = limits or WorkshopLimits()
    _check(squares)
    corrections = [_correction(square) for square in squares]
    shares = [log_share_left(c, s.name) for c, s in zip(corrections, squares, strict=True)]
    reaches, wanted = _reach(squares, shares, limits)
    differences = tell_apart([square.name for square in squares], corrections, log_shares=shares)
    order = sorted(range(len(squares)), key=lambda i: shares[i].middle)
    ranking = tuple(
        Ranked(
            rank=rank,
            name=squares[i].name,
            correction_percent=corrections[i],
            film_um=None if (film := squares[i].film_um) is None else as_figure(film),
            reach=reaches[i],
            alike=_alike(squares[i].name, differences),
            more_shots=wanted[i],
        )
        for rank, i in enumerate(order, start=1)
    )
    thicker = [s.name for s in squares if s.film_um is not None and s.film_um.high < 0]
    by_film = all(square.film_um is not None for square in squares) and not thicker
    gentle = list(range(len(squares)))
    if by_film:
        gentle.sort(key=lambda i: squares[i].film_um.value)  # type: ignore[union-attr]
    in_order = [next(r for r in ranking if r.name == squares[i].name) for i in gentle]
    gentle_by = UNORDERED
    if by_film:
        gentle_by = "film taken off"
    elif ordered:
        gentle_by = BY_ORDER
    answer, recommended, reason = _answer(in_order, limits, gentle_by)
    return SpotComparison(
        answer=answer,
        recommended=recommended,
        reason=reason,
        ranking=ranking,
        differences=differences,
        gentle_by=gentle_by,
        notes=_notes(in_order, ranking, recommended, gentle_by, thicker),
        cautions=cautions_for(material, film_read=by_film, cut_known=False),
        assumptions=limits.marks()[:1] if limits.target_is_usual else (),
    )


def _check(squares: Sequence[Combination]) -> None:
    if not FEWEST <= len(squares) <= MOST:
        raise UnusableFiguresError(
            f"{len(squares)} test spot{'s' * (len(squares) != 1)}",
            allowed=f"{FEWEST} to {MOST} are set side by side",
            remedy="leave out the weakest, or try more combinations",
        )
    names = [square.name for square in squares]
    twice = [name for name in names if names.count(name) > 1]
    if twice:
        raise UnusableFiguresError(
            f"two test spots are called {twice[0]}",
            allowed="each has a name of its own",
            remedy="rename one of them",
        )


def _correction(square: Combination) -> Figure:
    if square.correction_draws_percent is not None:
        return Figure.of_draws(square.correction_draws_percent)
    if square.correction_percent is None:
        raise UnusableFiguresError(
            f"test spot {square.name} has no correction",
            allowed="each has shots before and after",
            remedy="take the missing shots, or leave the square out",
        )
    check_interval(square.correction_percent, f"the correction of {square.name}")
    return as_figure(square.correction_percent)


def _reach(
    squares: Sequence[Combination], shares: Sequence[LogFigure], limits: WorkshopLimits
) -> tuple[list[Reach], list[int | None]]:
    """Return for each square whether it reaches the target, and the shots that would tell."""
    percent = limits.correction_percent
    figures, target = list(shares), 0.0
    if percent is not None:
        target = math.log(1 - percent / 100)
    else:
        target = math.log(limits.target_density_mm_per_cm2 or 1)
        for i, square in enumerate(squares):
            if square.density_after_mm_per_cm2 is None:
                raise UnusableFiguresError(
                    f"test spot {square.name} has no density after polishing",
                    allowed="a target density needs the density of each square, with a scale",
                    remedy="state the scale, or set a target correction",
                )
            figures[i] = log_density(square.density_after_mm_per_cm2, square.name)
    gaps = [figure.middle - target for figure in figures]
    sds = [figure.sd_towards(target) for figure in figures]
    p = adjust_by_holm([two_sided(gap, sd) for gap, sd in zip(gaps, sds, strict=True)])
    # What may as well be nothing never misses; how many shots would tell, its upper side says.
    sds = [sd if math.isfinite(sd) else f.sd for sd, f in zip(sds, figures, strict=True)]
    reaches, wanted = [], []
    strictness = float(ndtri(1 - ERROR_RATE / 2 / len(squares))) / Z95
    for gap, sd, square, p_value in zip(gaps, sds, squares, p, strict=True):
        if p_value > ERROR_RATE:
            reaches.append(Reach.OPEN)
            # Of a correction, about half the variance is the state before.
            lasting = sd * math.sqrt(0.5) if percent is not None else LASTING_SD
            wanted.append(
                shots_wanted(gap / strictness, sd, shots=square.shots, lasting_sd=lasting)
            )
        else:
            reaches.append(Reach.REACHES if gap < 0 else Reach.MISSES)
            wanted.append(None)
    return reaches, wanted


def _alike(name: str, differences: Sequence[Difference]) -> tuple[str, ...]:
    pairs = [(d.better, d.other) for d in differences if not d.apart]
    return tuple(b if a == name else a for a, b in pairs if name in (a, b))


def _answer(
    in_order: Sequence[Ranked], limits: WorkshopLimits, gentle_by: str
) -> tuple[SpotAnswer, str, str]:
    percent = limits.correction_percent
    target = (
        f"{digits(percent)} %"
        if percent is not None
        else f"{digits(limits.target_density_mm_per_cm2 or 0)} mm/cm2"
    )
    reaching = [square for square in in_order if square.reach is Reach.REACHES]
    best = min(in_order, key=lambda square: square.rank)
    best_text = f"{best.name} with a correction of {with_interval(best.correction_percent, '%')}"
    if len(reaching) > 1 and gentle_by == UNORDERED:
        by_rank = sorted(reaching, key=lambda square: square.rank)
        reason = (
            f"{', '.join(square.name for square in by_rank)} reach the target of {target}, but "
            "which is the gentlest is not known: read the film of every spot before and after, "
            "or name the spots from the gentlest to the strongest."
        )
        return SpotAnswer.NOT_ENOUGH_EVIDENCE, "", reason
    if reaching:
        first = reaching[0]
        film = "" if first.film_um is None else f" and {with_interval(first.film_um, 'um')} taken"
        which = (
            f"is the gentlest ({gentle_by}) of {len(reaching)} that reach"
            if len(reaching) > 1
            else "is the only one that surely reaches"
        )
        reason = (
            f"{first.name} {which} the target of {target}: correction "
            f"{with_interval(first.correction_percent, '%')}{film}."
        )
        return SpotAnswer.RECOMMENDED, first.name, reason
    if all(square.reach is Reach.MISSES for square in in_order):
        reason = f"None reaches the target of {target}; the best is {best_text}."
        return SpotAnswer.NONE_REACHES, "", reason
    open_ones = [square for square in in_order if square.reach is Reach.OPEN]
    asked = [f"{s.name}: {s.more_shots}" for s in open_ones if s.more_shots is not None]
    remedy = (
        f"more shots would tell ({', '.join(asked)})"
        if asked
        else "a few more shots would not settle it, so try a second square of each"
    )
    reason = (
        f"None surely reaches the target of {target}, and for "
        f"{', '.join(s.name for s in open_ones)} it is open; the best is {best_text}; {remedy}."
    )
    return SpotAnswer.NOT_ENOUGH_EVIDENCE, "", reason


def _notes(
    in_order: Sequence[Ranked],
    ranking: Sequence[Ranked],
    recommended: str,
    gentle_by: str,
    thicker: Sequence[str],
) -> tuple[str, ...]:
    notes = [
        (
            f"{len(ranking)} squares are judged at once, so each has to be surer than its own "
            "95 % interval says."
        )
    ]
    best = ranking[0]
    if best.alike:
        notes.append(f"{best.name} ranks first, but cannot be told from {', '.join(best.alike)}.")
    if thicker:
        notes.append(
            f"The film of {', '.join(thicker)} reads thicker after polishing than before, and film "
            "does not grow: other places, dirt or another gauge? Gentleness is not judged by the "
            "film; read it again."
        )
    elif gentle_by == BY_ORDER:
        notes.append(
            "Not every square has film readings: the film is unknown, and gentleness goes by the "
            "order given."
        )
    names = [square.name for square in in_order]
    if recommended and gentle_by != UNORDERED:
        notes += [
            f"{square.name} is gentler and may reach the target too."
            for square in in_order[: names.index(recommended)]
            if square.reach is Reach.OPEN
        ]
    chosen = next((square for square in in_order if square.name == recommended), None)
    if chosen is not None and chosen.film_um is not None:
        others = [s for s in in_order if s.reach is Reach.REACHES and s is not chosen and s.film_um]
        p = adjust_by_holm([_film_p(chosen.film_um, s.film_um) for s in others if s.film_um])
        alike = [s.name for s, value in zip(others, p, strict=True) if value > ERROR_RATE]
        if alike:
            notes.append(f"Its film taken cannot be told from that of {', '.join(alike)}.")
    return tuple(notes)


def _film_p(a: Bounded, b: Bounded) -> float:
    errors = [(figure.high - figure.low) / (2 * Z95) for figure in (a, b)]
    return two_sided(a.value - b.value, math.hypot(*errors))
