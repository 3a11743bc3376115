"""How well the next pass is foretold: coverage of the interval, agreement with full knowledge.

Run `python tests/benchmarks/next_pass.py --cases 200`. Panels of known depth distribution
(exponential and not quite) are polished in one to five passes with uneven cut, and measured with
the program's usual errors; the answer is set beside the one that full knowledge would give.
"""

import argparse
import math
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import gammaincc

from defectscan.workshop.answer import Answer
from defectscan.workshop.decision import Decision, decide
from defectscan.workshop.evidence import Figure
from defectscan.workshop.film import average_states
from defectscan.workshop.outlook import PanelState, WorkshopLimits

Floats = NDArray[Any]

DENSITY_SD = 0.08
# Relative, of passes that are meant to be alike.
PASS_SD = 0.2
GAUGE_SD_UM = 0.7
PATCHES = 400
SPOTS = 5
FAMILIES = ("exponential", "weibull 0.8", "weibull 1.25", "gamma 0.7", "gamma 1.4", "two depths")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Case:
    """A panel's truth, and what was measured of it.

    Attributes
    ----------
    states, limits
        What is given to `decide`.
    density_mm_per_cm2
        True density of each state, and after the next pass.
    target_mm_per_cm2
        What the target comes to in truth.
    pass_um, budget_um, need_um
        True film: of the next pass, still to be taken, that the target would cost.
    """

    family: str
    states: tuple[PanelState, ...]
    limits: WorkshopLimits
    density_mm_per_cm2: tuple[float, ...]
    target_mm_per_cm2: float
    pass_um: float
    budget_um: float
    need_um: float

    @property
    def full_answer(self) -> Answer:
        """What full knowledge would say."""
        if self.density_mm_per_cm2[-2] <= self.target_mm_per_cm2:
            return Answer.DONE
        if self.budget_um < max(self.pass_um, self.need_um):
            return Answer.STOP
        return Answer.ANOTHER_PASS


def survival(family: str, depth_um: float) -> Callable[[Floats], Floats]:
    """Return the share of grooves deeper than so many um, with this mean depth."""
    kind, _, shape = family.partition(" ")
    if kind == "weibull":
        k = float(shape)
        scale = depth_um / math.gamma(1 + 1 / k)
        return lambda u: np.exp(-((u / scale) ** k))
    if kind == "gamma":
        return lambda u: np.asarray(gammaincc(float(shape), u * float(shape) / depth_um))
    if family == "two depths":
        return lambda u: (
            0.85 * np.exp(-u / (0.87 * depth_um)) + 0.15 * np.exp(-u / (1.74 * depth_um))
        )
    return lambda u: np.exp(-u / depth_um)


def draw_case(
    rng: np.random.Generator, *, family: str, film_read: bool, pass_sd: float = PASS_SD
) -> Case:
    """Polish and measure one panel."""
    n = int(rng.integers(1, 6))
    depth, cut = rng.uniform(1.2, 3.5), rng.uniform(0.8, 2.2)
    share = survival(family, depth)
    start = rng.uniform(80, 400)
    # The hand leans on some places in every pass, and strays anew in each.
    lean = np.exp(rng.normal(0, 0.15, PATCHES))
    lean /= lean.mean()
    passes = [
        cut * math.exp(rng.normal(0, pass_sd)) * lean * np.exp(rng.normal(0, 0.15, PATCHES))
        for _ in range(n + 1)
    ]
    taken = np.vstack([np.zeros(PATCHES), np.cumsum(passes, axis=0)])
    density = start * np.array([float(np.mean(share(u))) for u in taken])
    shots = [int(s) for s in rng.integers(1, 4, n + 1)]
    sds = [math.hypot(0.05, math.sqrt(DENSITY_SD**2 - 0.05**2) / math.sqrt(s)) for s in shots]
    measured = [d * math.exp(rng.normal(0, sd)) for d, sd in zip(density, sds, strict=False)]
    film = rng.normal(110, 6, PATCHES)
    places = rng.choice(PATCHES, SPOTS, replace=False)
    readings = [
        {
            f"spot {p}": [float(film[p] - u[p] + e) for e in rng.normal(0, GAUGE_SD_UM, 3)]
            for p in places
        }
        for u in taken[:-1]
    ]
    films = average_states(readings if film_read else [None] * (n + 1))
    target = density[n] * math.exp(rng.normal(-0.2, 0.5))
    thinnest = float(np.min((film - taken[n])[places]))
    removed = float(taken[n].mean())
    reserve, largest = thinnest - rng.uniform(-2, 14), removed + rng.uniform(-1, 12)
    need = 0.0
    if density[n] > target:
        # Further passes lean as the panel's passes did so far.
        shape = taken[n] / removed

        def lacking(more: float) -> float:
            return float(start * np.mean(share(taken[n] + more * shape)) - target)

        need = float(brentq(lacking, 0, 80))
    by_correction = bool(rng.random() < 0.4) and target < 0.95 * density[0]
    percent = 100 * (1 - target / density[0])
    return Case(
        family=family,
        states=tuple(
            PanelState(
                name=f"after pass {i}" if i else "before",
                density_mm_per_cm2=Figure(
                    value=m, low=m * math.exp(-1.96 * sd), high=m * math.exp(1.96 * sd)
                ),
                shots=s,
                film=f,
            )
            for i, (m, sd, s, f) in enumerate(zip(measured, sds, shots, films, strict=True))
        ),
        limits=WorkshopLimits(
            target_density_mm_per_cm2=None if by_correction else target,
            target_correction_percent=percent if by_correction else None,
            reserve_um=max(reserve, 1.0),
            largest_removal_um=max(largest, 0.5),
        ),
        density_mm_per_cm2=tuple(density),
        target_mm_per_cm2=target,
        pass_um=float(passes[n].mean()),
        # Without readings, nobody says that the film is short.
        budget_um=min(thinnest - reserve, largest - removed) if film_read else math.inf,
        need_um=need,
    )


def is_clear(case: Case, decision: Decision) -> bool:
    """Tell whether the truth lies further than two standard errors from every limit that counts.

    A standard error is a quarter of the 95 % interval's length (on the logarithmic scale for
    densities): of the last density by its target, of the pass's film with what may be taken, and
    of what the target would cost with what may be taken.
    """
    last, first = case.states[-1].density_mm_per_cm2, case.states[0].density_mm_per_cm2
    sd = math.log(last.high / last.low) / 3.92
    if case.limits.correction_percent is not None:
        sd = math.hypot(sd, math.log(first.high / first.low) / 3.92)
    gap = math.log(case.density_mm_per_cm2[-2] / case.target_mm_per_cm2)
    if abs(gap) < 2 * sd:
        return False
    if gap < 0 or not math.isfinite(case.budget_um):
        return True
    expected = decision.expectation
    cut, need = expected.pass_film_um, expected.target_film_um
    left = expected.removed_um
    thin = expected.thinnest_um
    if cut is None or need is None or left is None or thin is None:
        return True
    may_sd = max(left.high - left.low, thin.high - thin.low) / 3.92
    cut_sd = math.hypot((cut.high - cut.low) / 3.92, may_sd)
    need_sd = math.hypot((need.high - need.low) / 3.92, may_sd)
    cut_gap, need_gap = case.budget_um - case.pass_um, case.budget_um - case.need_um
    if min(cut_gap / cut_sd, need_gap / need_sd) < -2:
        return True
    return cut_gap > 2 * cut_sd and need_gap > 2 * need_sd


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One case in figures."""

    family: str
    n_passes: int
    film_read: bool
    covered: bool
    side: int
    width: float
    clear: bool
    answer: Answer
    full_answer: Answer


def run_cases(seed: int, *, cases: int, pass_sd: float = PASS_SD) -> list[Row]:
    """Draw, decide and compare; even cases have film readings."""
    rows = []
    for number in range(cases):
        rng = np.random.default_rng([seed, number])
        family = FAMILIES[number // 2 % len(FAMILIES)]
        case = draw_case(rng, family=family, film_read=number % 2 == 0, pass_sd=pass_sd)
        decision = decide(case.states, rng, limits=case.limits)
        expected = decision.expectation.next_density_mm_per_cm2
        assert expected is not None
        true = case.density_mm_per_cm2[-1]
        rows.append(
            Row(
                family=family,
                n_passes=len(case.states) - 1,
                film_read=number % 2 == 0,
                covered=expected.low <= true <= expected.high,
                side=int(true > expected.high) - int(true < expected.low),
                width=math.log(expected.high / expected.low) / 2,
                clear=is_clear(case, decision),
                answer=decision.answer,
                full_answer=case.full_answer,
            )
        )
    return rows


def coverage(rows: list[Row]) -> float:
    """Share of cases whose true density after the next pass lies in its interval."""
    return float(np.mean([row.covered for row in rows]))


def agreement(rows: list[Row]) -> float:
    """Share of clear cases whose answer is the one of full knowledge."""
    return float(np.mean([row.answer is row.full_answer for row in rows if row.clear]))


def held_back(rows: list[Row]) -> float:
    """Share of unclear cases in which more evidence is asked for."""
    asked = [row.answer is Answer.NOT_ENOUGH_EVIDENCE for row in rows if not row.clear]
    return float(np.mean(asked))


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--pass-sd", type=float, default=PASS_SD)
    wanted = parser.parse_args()
    rows = run_cases(wanted.seed, cases=wanted.cases, pass_sd=wanted.pass_sd)
    print(f"{len(rows)} cases, of which clear: {sum(row.clear for row in rows)}")
    print(f"next density in its interval   {coverage(rows):.3f}   (wanted 0.90 to 0.99)")
    print(f"agreement where clear          {agreement(rows):.3f}   (wanted at least 0.90)")
    print(f"more evidence where unclear    {held_back(rows):.3f}   (wanted: mostly)")
    for name, key in (("depths", "family"), ("passes", "n_passes"), ("film read", "film_read")):
        for value in sorted({getattr(row, key) for row in rows}):
            part = [row for row in rows if getattr(row, key) == value]
            width = math.exp(float(np.median([row.width for row in part])))
            sides = Counter(row.side for row in part)
            print(
                f"  {name} {value}: n {len(part)}, in interval {coverage(part):.3f} (under "
                f"{sides[-1]}, over {sides[1]}), interval x/: {width:.2f}, "
                f"agreement {agreement(part):.3f}, more evidence {held_back(part):.3f}"
            )
    for clear in (True, False):
        table = Counter((r.full_answer.value, r.answer.value) for r in rows if r.clear == clear)
        print("clear" if clear else "unclear", "(full knowledge -> answer)")
        for (full, answer), count in sorted(table.items()):
            print(f"  {full} -> {answer}: {count}")


if __name__ == "__main__":
    main()
