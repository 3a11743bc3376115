"""The workshop's own limits: said with the command, or kept beside the job book."""

import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from defectscan.settings_file import read_settings, wrong_setting
from defectscan.workshop.evidence import Figure
from defectscan.workshop.outlook import WorkshopLimits

LIMITS_FILE = "limits.toml"
_LIMITS = (
    "target_density_mm_per_cm2",
    "target_correction_percent",
    "reserve_um",
    "largest_removal_um",
    "largest_trail_mm_per_cm2",
    "largest_haze",
    "usual_cut_um",
)


def workshop_limits(folder: Path, said: Mapping[str, float | None]) -> WorkshopLimits:
    """Return the limits: as said now, otherwise as `limits.toml` in the book's folder has them.

    Parameters
    ----------
    folder
        Of the job book.
    said
        Fields of `WorkshopLimits` as plain numbers, `None` where nothing was said.

    Raises
    ------
    DefectscanError
        If the file is none that can be read, or a limit is out of range.
    """
    told = {name: value for name, value in said.items() if value is not None}
    kept = _limits_file(folder / LIMITS_FILE)
    if any(name.startswith("target") for name in told):
        kept = {name: value for name, value in kept.items() if not name.startswith("target")}
    numbers: dict[str, Any] = {**kept, **told}
    cut = numbers.pop("usual_cut_um", None)
    figure = None if cut is None else Figure(value=cut, low=cut, high=cut)
    return WorkshopLimits(**numbers, usual_cut_um=figure)


def limits_record(limits: WorkshopLimits) -> dict[str, Any]:
    """Return the limits that hold, usual ones filled in."""
    return {
        "target_density_mm_per_cm2": limits.target_density_mm_per_cm2,
        "target_correction_percent": limits.correction_percent,
        "reserve_um": limits.reserve,
        "largest_removal_um": limits.largest_removal,
        "usual_cut_um": None if limits.usual_cut_um is None else limits.usual_cut_um.value,
    }


def _limits_file(path: Path) -> dict[str, float]:
    told = read_settings(path)
    for name, value in told.items():
        number = isinstance(value, (int, float)) and not isinstance(value, bool)
        # A whole number may be larger than any that can be reckoned with.
        if name not in _LIMITS or not (number and 0 < value <= sys.float_info.max):
            raise wrong_setting(
                path, name, value, allowed=f"it takes numbers above 0 for {', '.join(_LIMITS)}"
            )
    return {name: float(value) for name, value in told.items()}
