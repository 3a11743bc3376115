"""Put numbers into words without claiming more than they say.

A number is written with as many digits as its interval is worth. Rounding never makes a 0 or a
100 % of something that is not.
"""

import math
import re

from defectscan.report.content import DensityUnit, Estimate

NOT_KNOWN = "not known"
UNDEFINED = "undefined"
TOO_LITTLE = "too little to tell"
_MINUS = "\N{MINUS SIGN}"
_NO_BREAK = "\N{NO-BREAK SPACE}"
LONGEST_TYPED = 200
_STEERING = re.compile(r"[\u200b\u200e\u200f\u202a-\u202e\u2060-\u206f\ufeff]")
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\ud800-\udfff]")
_MOST_PLACES = {"percent": 2, "density": 6}


def typed(text: str, most: int = LONGEST_TYPED) -> str:
    """Return what somebody typed as one line that cannot turn or swamp what stands round it."""
    line = _CONTROL.sub("\N{REPLACEMENT CHARACTER}", " ".join(unsteered(text).split()))
    return line if len(line) <= most else line[: most - 1] + "…"


def unsteered(text: str) -> str:
    """Leave out the characters that turn round, hide or join what stands beside them."""
    return _STEERING.sub("", text)


def known(value: float | None) -> float | None:
    """Return a finite number, or ``None``."""
    return None if value is None or not math.isfinite(value) else float(value)


def number(value: float | None, digits: int = 3) -> str:
    """Write a plain number with so many significant digits, all digits of a whole part kept."""
    value = known(value)
    if value is None:
        return NOT_KNOWN
    places = 0 if value == 0 else max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:.{places}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return _signed(text)


def density(estimate: Estimate, unit: DensityUnit, *, limit: float | None = None) -> str:
    """Write a density with its unit; "under" its detection limit where it is below that."""
    value, limit = known(estimate.value), known(limit)
    if value is None:
        return NOT_KNOWN
    if limit is not None and value < limit:
        return f"under {number(limit)}{_NO_BREAK}{unit}"
    return f"{plain(estimate)}{_NO_BREAK}{unit}"


def density_and_interval(
    estimate: Estimate, unit: DensityUnit, *, limit: float | None = None
) -> str:
    """Write a density with its unit and interval, or the reason why it is not known."""
    text = density(estimate, unit, limit=limit)
    if text == NOT_KNOWN:
        return f"{text} ({estimate.note})" if estimate.note else text
    return text if text.startswith("under") else f"{text} ({density_interval(estimate)})"


def plain(estimate: Estimate) -> str:
    """Write the value of an estimate without unit, with the digits that its interval is worth."""
    value = known(estimate.value)
    return NOT_KNOWN if value is None else _rounded(value, _places(estimate), "density")


def density_interval(estimate: Estimate) -> str:
    """Write the interval of a density, without unit."""
    return _interval(estimate, "density") or "interval not known"


def percent(estimate: Estimate) -> str:
    """Write a correction as a figure: ``83 %``, ``at least 96 %``, ``undefined``.

    A bound under 0 says no more than that there is ``too little to tell``.
    """
    at_least, value = known(estimate.at_least), known(estimate.value)
    if at_least is not None:
        return _at_least(at_least) if at_least >= 0 else TOO_LITTLE
    if value is None:
        return UNDEFINED
    return _percent(value, _places(estimate))


def share(fraction: float) -> str:
    """Write a fraction as a whole percentage, with decimals rather than a rounded 0 or 100 %."""
    return _percent(100 * fraction, 0)


def percent_interval(estimate: Estimate) -> str:
    """Write the interval of a correction: ``76 to 88 %``."""
    text = _interval(estimate, "percent")
    return f"{text}{_NO_BREAK}%" if text else "interval not known"


def short_correction(estimate: Estimate) -> str:
    """Write a correction where room is short: figure and interval."""
    text = percent(estimate)
    if known(estimate.value) is None or known(estimate.at_least) is not None:
        return text
    return f"{text} ({percent_interval(estimate)})"


def correction(estimate: Estimate) -> str:
    """Write a correction for a table: figure, interval, and "an increase" where it is one."""
    text, value = short_correction(estimate), known(estimate.value)
    if known(estimate.at_least) is not None:
        return text
    if value is None:
        return f"{text} ({estimate.note})" if estimate.note else text
    return f"{text}, an increase" if value < 0 else text


def is_change(estimate: Estimate) -> bool:
    """Tell whether the whole interval of a correction lies on one side of 0."""
    low, high = known(estimate.low), known(estimate.high)
    return (low is not None and low > 0) or (high is not None and high < 0)


def covered(area_cm2: float | None, laid: int, not_laid: int) -> str:
    """Say how much ground shots cover, and for how many that is not known."""
    if laid == 1:
        said = "The first shot covers"
        lie = "No other shot lies on it."
    else:
        said = f"{laid} shots that lie on each other cover"
        lie = ""
    ground = "ground of unknown size (no scale)"
    if area_cm2 is not None:
        ground = f"{area_cm2:.0f}{_NO_BREAK}cm² of ground" + (" in all" if laid > 1 else "")
    unknown = ""
    if not_laid:
        shots, their = ("shots", "their") if not_laid > 1 else ("shot", "its")
        unknown = f"{not_laid} {shots} could not be laid over the first: {their} ground is unknown."
    return " ".join(part for part in (f"{said} {ground}.", lie, unknown) if part)


def exposure_time(seconds: float | None) -> str:
    """Write an exposure time as on a camera: ``1/120 s``, ``0.5 s``."""
    seconds = known(seconds)
    if seconds is None or seconds <= 0:
        return NOT_KNOWN
    text = f"1/{round(1 / seconds)}" if seconds < 0.3 else number(seconds)
    return f"{text}{_NO_BREAK}s"


def measure(value: float | None, unit: str, digits: int = 3) -> str:
    """Write a number with its unit, or that it is not known."""
    text = number(value, digits)
    return text if text == NOT_KNOWN or not unit else f"{text}{_NO_BREAK}{unit}"


def _places(estimate: Estimate) -> int:
    """Find how many decimals the interval is worth."""
    low, high, value = known(estimate.low), known(estimate.high), known(estimate.value)
    if low is None or high is None or high <= low:
        size = abs(value or 0.0)
        return 0 if size == 0 else max(0, 2 - math.floor(math.log10(size)))
    return max(0, -math.floor(math.log10((high - low) / 4)))


def _interval(estimate: Estimate, what: str) -> str:
    low, high = known(estimate.low), known(estimate.high)
    places = _places(estimate)
    if low is None and high is None:
        return ""
    if low is None:
        return f"at most {_rounded(high or 0.0, places, what)}"
    if high is None:
        return f"at least {_rounded(low, places, what)}"
    return f"{_rounded(low, places, what)} to {_rounded(high, places, what)}"


def _at_least(value: float) -> str:
    """Round down, never up: a lower bound must stay one."""
    for places in range(_MOST_PLACES["percent"] + 1):
        floored = math.floor(value * 10**places) / 10**places
        if floored not in (0.0, 100.0) or floored == value:
            return f"at least {_signed(f'{floored:.{places}f}')}{_NO_BREAK}%"
    return f"more than {floored:.0f}{_NO_BREAK}%"


def _percent(value: float, places: int) -> str:
    return f"{_rounded(value, places, 'percent')}{_NO_BREAK}%"


def _rounded(value: float, places: int, what: str) -> str:
    """Round, with more decimals or an inequality where rounding alone would make a 0 or 100 %."""
    barred = (0.0, 100.0) if what == "percent" else (0.0,)
    most = _MOST_PLACES[what]
    for more in range(min(places, most), most + 1):
        text = f"{value:.{more}f}"
        if value in barred or float(text) not in barred:
            return _signed(text)
    step = 10.0**-most
    nearest = round(value)
    sign, edge = ("<", nearest + step) if value > nearest else (">", nearest - step)
    return f"{sign}{_NO_BREAK}{_signed(f'{edge:.{most}f}')}"


def _signed(text: str) -> str:
    return text.replace("-", _MINUS) if text.strip("-0.") else text.replace("-", "")
