"""Moments that the job book keeps, as they are told where the program runs."""

from datetime import UTC, datetime

_EARLIEST = datetime.min.replace(tzinfo=UTC)


def local_time(moment: str) -> datetime | None:
    """Return a moment in local time; `None` where the text is none.

    Parameters
    ----------
    moment
        ISO 8601, in the book mostly in UTC; without an offset it is local time already.
    """
    try:
        return datetime.fromisoformat(moment).astimezone()
    except (ValueError, OverflowError, OSError):  # the system's clock knows fewer years than a text
        return None


def place_in_time(moment: str) -> datetime:
    """Return a moment to sort by, as `local_time` has it; a text that is none comes first."""
    return local_time(moment) or _EARLIEST


def local_day(moment: str) -> str:
    """Return the local date of a moment, as 2026-05-31; its beginning where the text is none."""
    local = local_time(moment)
    return moment[:10] if local is None else local.date().isoformat()
