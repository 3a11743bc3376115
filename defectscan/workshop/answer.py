"""What may be answered to "another pass?", and why."""

from dataclasses import dataclass
from enum import StrEnum

DENSITY = "mm/cm2"
SURE = 0.975


class Answer(StrEnum):
    """What to do next, as far as photos and readings can tell."""

    DONE = "done"
    ANOTHER_PASS = "another pass"  # noqa: S105 - a pass of the machine
    FINER_PASS = "finer pass"  # noqa: S105 - the same
    STOP = "stop"
    NOT_ENOUGH_EVIDENCE = "not enough evidence"


@dataclass(frozen=True, slots=True, kw_only=True)
class Ruling:
    """Answer, reason and what would settle it; attributes as in `decision.Decision`."""

    answer: Answer
    reason: str
    more_shots: int | None = None
    more_spots: int | None = None
