"""Results in words, kindly."""

from defectscan.judging.results import GroupResult, RaterResult
from defectscan.judging.scale import Scale
from defectscan.rater_statistics.errors import Lean, Learning
from defectscan.rater_statistics.estimate import Estimate, Limits, Result, Undefined, judge
from defectscan.report.wording import number

_MINUS = "\N{MINUS SIGN}"
# What is smaller is nought but for the arithmetic.
_MOST_PLACES = 6


def figure(result: Result, places: int = 2) -> str:
    """Write a statistic's value; a dash where it is undefined."""
    return fixed(result.value, places) if isinstance(result, Estimate) else "\N{EN DASH}"


def interval(result: Result, places: int = 2) -> str:
    """Write a statistic's interval, or why there is none."""
    if isinstance(result, Undefined):
        return result.reason
    if result.low is None or result.high is None:
        return result.caution or "without an interval"
    return f"{fixed(result.low, places)} to {fixed(result.high, places)}"


def both(result: Result, places: int = 2, *, unit: str = "") -> str:
    """Write a statistic with its interval, the unit by each; not by a sentence for an interval."""
    if isinstance(result, Undefined):
        return f"undefined: {result.reason}"
    ends = interval(result, places) + unit * (result.low is not None)
    return f"{figure(result, places)}{unit} ({ends})"


def fixed(value: float, places: int) -> str:
    """Write a number with so many places and a true minus; never a 1 or 0 that rounding made.

    Of what would read 0, as many more places are written as show it, to the sixth.
    """
    shown = (p for p in range(places, _MOST_PLACES + 1) if float(f"{value:.{p}f}") != 0)
    text = f"{value:.{next(shown, places)}f}"
    if places and abs(value) < 1 and text.lstrip("-").startswith("1"):
        text = ("-" if value < 0 else "") + "0." + "9" * places
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", _MINUS)


def phrase(result: Result, limits: Limits) -> str:
    """Say how good an agreement is, by its interval."""
    if isinstance(result, Undefined):
        return result.reason
    return judge(result, limits).text


def unit_of(scale: Scale) -> str:
    """Return what errors are counted in."""
    return "grades" if scale is Scale.QUANTITY else "points"


def opening_of(rater: RaterResult) -> str:
    """Open a rater's page: what goes well first, and only where the grades show it."""
    answers = {
        "yes": "Your grades hold: they agree with the values as the workshop wants it.",
        "not yet": "There is something to work on: below is where your grades and the values "
        "part, and what helps.",
        "not known": "These grades do not settle whether they agree with the values as the "
        "workshop wants it: below is what they show.",
    }
    text = answers[rater.answer]
    if not rater.errors.n:
        text = (
            "No photo that you graded has a value, so your grades can only be held against each "
            "other and those of other raters."
        )
    if isinstance(rater.learning, Learning) and rater.learning.proven:
        text += " And your eye has become surer from session to session."
    if rater.errors.slips:
        text += f" {slips_told(rater)}"
    return text


def slips_told(rater: RaterResult) -> str:
    """Say how many grades are slips, and which figures are told without them."""
    n = len(rater.errors.slips)
    look = "looks like a slip" if n == 1 else "look like slips"
    return (
        f"{n} of {rater.errors.n} grades {look} rather than judgement, far from what the others "
        f"are off by: mean error and spread are told without {'it' if n == 1 else 'them'}."
    )


def slips_apart(rater: RaterResult) -> str:
    """Return what is added to the name of a figure that is told without slips."""
    return ", slips apart" if rater.errors.slips else ""


def advice_of(rater: RaterResult, scale: Scale) -> tuple[str, ...]:
    """Say which way a rater leans and what helps, only where the interval vouches for it."""
    told = []
    unit = unit_of(scale)
    if (off := _proven(rater.errors.bias)) is not None:
        by = f"{number(abs(off.value), 2)} {unit} on average{slips_apart(rater)} ({interval(off)})"
        if scale is Scale.QUANTITY:
            told.append(
                f"You see {'more' if off.value > 0 else 'fewer'} lines than there are: by {by}. "
                "Hold each photo against the anchor pictures before you decide."
            )
        else:
            more = "more" if off.value > 0 else "less"
            told.append(f"You give {more} correction than there is: by {by}.")
    told += [text for lean in rater.leans if not lean.by_truth and (text := lean_text(lean, scale))]
    if not told:
        told.append("No lean in any direction is proven by these grades.")
    told += [text for lean in rater.leans if lean.by_truth and (text := lean_text(lean, scale))]
    told.append(learning_text(rater.learning, unit))
    if isinstance(rater.days_kappa, Estimate):
        told.append(
            "From one session to the next your own grades agree with a weighted kappa of "
            f"{both(rater.days_kappa)}."
        )
    return tuple(told)


def lean_text(lean: Lean, scale: Scale) -> str:
    """Say how a rater leans in a group of photos; nothing where that may be chance."""
    difference = _proven(lean.difference)
    if difference is None:
        return ""
    kind = (difference.value < 0) == (scale is Scale.QUANTITY)
    by = number(abs(difference.value), 2)
    if lean.by_truth:
        return (
            f"With {lean.group} you gave too {'little' if difference.value < 0 else 'much'} beside "
            f"your other grades: by {by} {unit_of(scale)} ({interval(difference)}, {lean.n} "
            "grades). Grades that scatter do so near the ends of a scale without any habit: "
            "closer grades help first."
        )
    advice = {
        "light paint": " Zoom in close to the bright spot there: lines are faint on light paint.",
        "dark paint": " Brightness tempts there: count lines, not light.",
    }.get(lean.group, "")
    return (
        f"With {lean.group} you are too {'kind' if kind else 'strict'} beside your other grades: "
        f"by {by} {unit_of(scale)} ({interval(difference)}, {lean.n} grades).{advice}"
    )


def learning_text(learning: Learning | Undefined, unit: str) -> str:
    """Say whether the sessions show progress, and not call chance learning."""
    if isinstance(learning, Undefined):
        return f"Progress over sessions cannot be told yet ({learning.reason})."
    change = learning.change
    first, last = (number(learning.mean_error[i], 2) for i in (0, -1))
    told = f"Mean size of the error {first} {unit} in the first session, {last} in the last"
    if learning.proven:
        return f"{told}: the trend is real ({interval(change)} {unit} a session)."
    if change.low is None:
        return f"{told}: whether that is more than chance cannot be said."
    if change.low > 0:
        return f"{told}: it has grown ({interval(change)} {unit} a session). A break may help."
    return f"{told}: that may be chance ({interval(change)} {unit} a session)."


def group_answer(group: GroupResult) -> str:
    """Say whether the group judges alike."""
    if len(group.raters) < 2:
        return "one rater so far: a group needs two"
    return {
        "yes": "this group judges alike",
        "not yet": "this group does not judge alike yet",
        "not known": "whether this group judges alike is not settled by so few grades",
    }[group.answer]


def _proven(result: Result) -> Estimate | None:
    """Return an error whose interval leaves none out."""
    if not isinstance(result, Estimate) or result.low is None or result.high is None:
        return None
    return result if result.low > 0 or result.high < 0 else None
