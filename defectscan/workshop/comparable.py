"""Whether two stored results can be compared, and why not."""

from collections.abc import Mapping
from typing import Any

from defectscan.workshop.book_entries import Result


def incomparable(first: Result, second: Result) -> tuple[str, ...]:
    """Say why two results cannot be compared; nothing if they can.

    Parameters
    ----------
    first, second
        Scores or comparisons of the same panel.

    Returns
    -------
    tuple of str
        A sentence a reason.
    """
    reasons = []
    if first.record.get("format") != second.record.get("format"):
        reasons.append(
            f"One is a {first.record.get('format')} and the other a {second.record.get('format')}."
        )
    if first.version != second.version:
        reasons.append(
            f"They come from versions {first.version} and {second.version} of the program, which "
            "may measure differently; measure both with one version (`job shots --again`)."
        )
    return (*reasons, *unlike_settings(first.settings, second.settings))


def unlike_settings(first: Mapping[str, Any], second: Mapping[str, Any]) -> tuple[str, ...]:
    """Say why results of such settings cannot be compared; nothing if they can."""
    reasons = []
    if bool(first.get("as_seen")) != bool(second.get("as_seen")):
        reasons.append("Only one of them counts visible lines alone, not corrected for the lamp.")
    scales = first.get("mm_per_px"), second.get("mm_per_px")
    if (scales[0] is None) != (scales[1] is None):
        reasons.append("The scale of only one of them is known.")
    return tuple(reasons)
