"""The form of what the job book keeps as JSON: records of measurements, settings and grades.

Parts may be missing or unknown (`None`); further ones are kept as they are. What is there must be
of its kind, whoever wrote the archive or the database that it comes from.
"""

import functools
import re
import sys
from collections.abc import Callable, Mapping
from types import UnionType
from typing import Any, get_args, get_origin

Form = Callable[[Any], bool]
_SHA256 = re.compile(r"[0-9a-f]{64}")


@functools.cache
def types_of(annotation: Any) -> tuple[type, ...]:  # noqa: ANN401 - an annotation
    """Return the types of which the values of a field may be."""
    told = get_args(annotation) if isinstance(annotation, UnionType) else (annotation,)
    plain = tuple(get_origin(one) or one for one in told)
    return (*plain, int) if float in plain else plain


def number(told: Any) -> bool:  # noqa: ANN401 - JSON, here and below
    """Tell whether it is a finite number, or not known."""
    if told is None:
        return True
    is_number = isinstance(told, (int, float)) and not isinstance(told, bool)
    return is_number and abs(told) <= sys.float_info.max


def text(told: Any) -> bool:  # noqa: ANN401
    """Tell whether it is a text that can be written: JSON takes halves of letters, too."""
    return told is None or (isinstance(told, str) and _has_whole_letters(told))


def flag(told: Any) -> bool:  # noqa: ANN401
    """Tell whether it is yes or no."""
    return told is None or isinstance(told, bool)


def list_of(form: Form) -> Form:
    """Return the form of a list with parts of one form."""
    return lambda told: told is None or (isinstance(told, list) and all(map(form, told)))


def table_of(form: Form) -> Form:
    """Return the form of an object with values of one form."""
    return lambda told: told is None or (isinstance(told, dict) and all(map(form, told.values())))


def parts(forms: Mapping[str, Form], *, needed: tuple[str, ...] = ()) -> Form:
    """Return the form of an object whose named parts each have a form of their own."""

    def holds(told: Any) -> bool:  # noqa: ANN401
        return told is None or (
            isinstance(told, dict)
            and all(told.get(name) is not None for name in needed)
            and all(form(told.get(name)) for name, form in forms.items())
        )

    return holds


def _has_whole_letters(told: str) -> bool:
    try:
        told.encode()
    except UnicodeEncodeError:
        return False
    return True


def _card_numbers(told: Any) -> bool:  # noqa: ANN401
    return isinstance(told, dict) and all(name.isdecimal() and name.isascii() for name in told)


_ENDS = {"value": number, "low": number, "high": number}
_PLACE = {"x_px": number, "y_px": number, "radius_px": number}


def _interval(told: Any) -> bool:  # noqa: ANN401
    return parts(_ENDS)(told) and (told is None or told.keys() >= _ENDS.keys())


def _highlight(told: Any) -> bool:  # noqa: ANN401
    whole = parts(_PLACE, needed=tuple(_PLACE))(told)
    return whole and (told is None or told.keys() == _PLACE.keys())


_NUMBERS_OF_A_SHOT = (
    "width_px", "height_px", "mm_per_px", "exposure_time_s", "f_number", "iso_speed",
    "focal_length_mm", "glint_radius_px", "zone_area_px", "n_lines",
)  # fmt: skip
_SHOT = parts(
    {
        "file": text,
        "sha256": text,
        "highlight": _highlight,
        "flags": list_of(text),
        "frame": parts({"index": number, "time_s": number}),
    }
    | dict.fromkeys(_NUMBERS_OF_A_SHOT, number)
)
_FLAG = parts(dict.fromkeys(("name", "text", "advice"), text), needed=("name", "text", "advice"))
_SCORE = parts(
    {
        "format": text,
        "version": text,
        "line_density_mm_per_cm2": _interval,
        "line_density_per_px": _interval,
        "detection_limit_mm_per_cm2": number,
        "detection_limit_per_px": number,
        "grade": number,
        "kinds": table_of(_interval),
        "kinds_per_px": table_of(_interval),
        "haze": _interval,
        "correction_percent": _interval,
        "correction_is_at_least": flag,
        "kind_corrections_percent": table_of(_interval),
        "kind_corrections_are_at_least": table_of(flag),
        "more_shots_for_3_points": number,
        "flags": list_of(_FLAG),
        "shots": list_of(_SHOT),
        "set_aside": list_of(parts({"file": text, "reason": text})),
    }
)
FORMS: Mapping[str, Form] = {
    "record": lambda told: _SCORE(told) and all(_SCORE(told.get(n)) for n in ("before", "after")),
    "settings": parts({"seed": number, "mm_per_px": number, "card_mm": number, "as_seen": flag}),
    "sha256s": lambda told: all(isinstance(one, str) and _SHA256.fullmatch(one) for one in told),
    "grades": lambda told: _card_numbers(told) and table_of(number)(told),
}
