"""What is entered in a job book: the kinds of entry and what each may hold."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from enum import StrEnum
from typing import Any, Generic, TypeVar

from defectscan.errors import DefectscanError
from defectscan.workshop.stored_forms import FORMS, types_of

LONGEST_TEXT = 10_000
SHA256 = re.compile(r"[0-9a-f]{64}")


class BookError(DefectscanError):
    """The job book cannot be read or written, or cannot hold what it was given."""


class Material(StrEnum):
    """What a panel is made of."""

    PAINTED_METAL = "painted metal"
    PAINTED_PLASTIC = "painted plastic"
    BARE_METAL = "bare metal"
    TRIM = "trim"
    LAMP_LENS = "lamp lens"


class Content:
    """What an entry says. Fields that end in `_id` name another thing of the same job."""

    __slots__ = ()

    def __post_init__(self) -> None:
        """Put texts into a form that every database keeps; refuse what is not allowed."""
        for each in fields(self):  # type: ignore[arg-type]
            value = getattr(self, each.name)
            allowed = types_of(each.type)  # type: ignore[arg-type]
            if isinstance(value, bool) or not isinstance(value, allowed):
                raise _other_form(self, each.name)
            if isinstance(value, str) and not isinstance(value, StrEnum):
                value = _kept(each.name, value, required=each.metadata.get("required", False))
                object.__setattr__(self, each.name, value)
            elif isinstance(value, (int, float)) and "least" in each.metadata:
                _check_number(each.name, value, each.metadata)
            elif each.name in FORMS and not FORMS[each.name](value):
                raise _other_form(self, each.name)


def _other_form(content: Content, name: str) -> BookError:
    return BookError(
        f"the {name} of a {KIND_NAMES[type(content)]} is not as this program writes it",
        allowed="what this program wrote is kept and read",
        remedy="bring the file back from a copy",
    )


def _text(*, required: bool = False) -> Any:  # noqa: ANN401 - as dataclasses.field
    if required:
        return field(metadata={"required": True})
    return field(default="")


def _number(least: float, most: float) -> Any:  # noqa: ANN401 - the same
    return field(metadata={"least": least, "most": most})


def _number_or_none(least: float, most: float) -> Any:  # noqa: ANN401 - the same
    return field(default=None, metadata={"least": least, "most": most})


@dataclass(frozen=True, slots=True, kw_only=True)
class Job(Content):
    """A vehicle from arrival to hand-over.

    Attributes
    ----------
    title
        The vehicle, in free text.
    about
        Anything else about it.
    number
        How the workshop calls it; given by the book when it is 0.
    """

    title: str = _text(required=True)
    about: str = _text()
    number: int = field(default=0, metadata={"least": 0, "most": 2**31 - 1})


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel(Content):
    """One painted part, or a taped-off area of it."""

    name: str = _text(required=True)
    material: Material = Material.PAINTED_METAL


@dataclass(frozen=True, slots=True, kw_only=True)
class TestSpot(Content):
    """A taped square of a panel, on which one combination of pad and polish is tried.

    Attributes
    ----------
    gentleness
        The user's own order of the combinations, 1 the gentlest.
    """

    panel_id: int
    name: str = _text(required=True)
    gentleness: int | None = _number_or_none(1, 100)

    __test__ = False  # not a test, whatever its name says to pytest


@dataclass(frozen=True, slots=True, kw_only=True)
class Pass(Content):
    """One polishing pass over a panel, a section of it or a test spot.

    Attributes
    ----------
    who
        Who held the machine.
    speed
        As the machine states it.
    time_min
        How long it took, minutes.
    section
        Which part of the panel; empty for all of it.
    """

    panel_id: int
    test_spot_id: int | None = None
    who: str = _text()
    machine: str = _text()
    pad: str = _text()
    polish: str = _text()
    speed: str = _text()
    time_min: float | None = _number_or_none(0, 100_000)
    section: str = _text()


@dataclass(frozen=True, slots=True, kw_only=True)
class State(Content):
    """A panel or test spot at one time: after a pass, or before them all (`None`)."""

    panel_id: int
    test_spot_id: int | None = None
    after_pass_id: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot(Content):
    """One photo of a state, kept under its SHA-256.

    Attributes
    ----------
    file_name
        The photo's name when it was entered.
    mm_per_px
        Scale of the photo, if known.
    """

    state_id: int
    sha256: str = _text(required=True)
    file_name: str = _text()
    mm_per_px: float | None = _number_or_none(1e-6, 1e3)


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmReading(Content):
    """One reading of a film-thickness gauge.

    Attributes
    ----------
    film_um
        All layers that the gauge sees, micrometres.
    spot
        Where on the panel.
    gauge
        A note on the gauge.
    """

    panel_id: int
    film_um: float = _number(0.1, 100_000)
    test_spot_id: int | None = None
    after_pass_id: int | None = None
    spot: str = _text()
    gauge: str = _text()


@dataclass(frozen=True, slots=True, kw_only=True)
class Note(Content):
    """Anything worth keeping about a job or a panel."""

    panel_id: int | None = None
    text: str = _text(required=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision(Content):
    """What was decided about the next pass, with its reason and figures.

    Attributes
    ----------
    state_id
        The state that it was decided on.
    figures, settings
        JSON: what it rests on, and the limits in force.
    version
        Of the program.
    """

    panel_id: int
    state_id: int | None = None
    answer: str = _text(required=True)
    reason: str = _text()
    figures: dict[str, Any] = field(default_factory=dict)
    settings: dict[str, Any] = field(default_factory=dict)
    version: str = _text()


@dataclass(frozen=True, slots=True, kw_only=True)
class Result(Content):
    """A measurement and the method that it came from.

    Attributes
    ----------
    state_id
        The state that was scored, or the one after.
    before_state_id
        With a comparison, the one before.
    version
        Of the program.
    settings
        JSON: scale, seed, as seen or not.
    sha256s
        Of the photos, in order: before, after.
    record
        The figures as JSON, as `score --json` or `compare --json` writes them.
    """

    state_id: int
    before_state_id: int | None = None
    version: str = _text(required=True)
    settings: dict[str, Any]
    sha256s: tuple[str, ...]
    record: dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Deck(Content):
    """A deck of photos to be graded; of photos of one job, or standing by itself.

    Attributes
    ----------
    ident
        The deck's own identity, which its files carry.
    key
        JSON: its scale, its photos with their measured or true values, and its order.
    sha256s
        Of its pictures, kept with the photos, in the order of `key`.
    """

    ident: str = _text(required=True)
    title: str = _text()
    key: dict[str, Any]
    sha256s: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Grades(Content):
    """What one rater gave the photos of a deck in one session.

    Attributes
    ----------
    session
        The session's own identity, so that a file read twice is entered once.
    graded_on
        Date or time of the session, ISO 8601.
    source
        Name of the file that it came from.
    grades
        JSON: number in the deck to grade; null where the rater could not tell.
    """

    deck_id: int
    rater: str = _text(required=True)
    session: str = _text(required=True)
    graded_on: str = _text(required=True)
    source: str = _text()
    grades: dict[str, Any]


KINDS: Mapping[str, type[Content]] = {
    "job": Job,
    "panel": Panel,
    "test_spot": TestSpot,
    "pass": Pass,
    "state": State,
    "shot": Shot,
    "film_reading": FilmReading,
    "note": Note,
    "decision": Decision,
    "result": Result,
    "deck": Deck,
    "grades": Grades,
}
# What stands by itself: the others belong to one of these.
ROOTS = (Job, Deck)
KIND_NAMES = {kind: name for name, kind in KINDS.items()}
# What the fields that name other things refer to.
REFERENCES = {
    "panel_id": Panel,
    "test_spot_id": TestSpot,
    "after_pass_id": Pass,
    "state_id": State,
    "before_state_id": State,
    "deck_id": Deck,
}

AnyContent_co = TypeVar("AnyContent_co", bound=Content, covariant=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry(Generic[AnyContent_co]):
    """One entry of the book. It stays as it is; a correction is a further entry.

    Attributes
    ----------
    id
        Its number in this book, in order of entry.
    uid
        Its name in every book.
    job_id, thing_id
        The job that it belongs to, and the thing that it is about: the first entry of each.
    supersedes_id
        The entry that it corrects.
    withdrawn
        Whether it says that the thing is void.
    recorded_at, recorded_by
        When (ISO 8601, UTC) and by whom.
    content
        What it says.
    """

    id: int
    uid: str
    job_id: int
    thing_id: int
    supersedes_id: int | None
    withdrawn: bool
    recorded_at: str
    recorded_by: str
    content: AnyContent_co

    @property
    def kind(self) -> str:
        """The kind of entry, by name."""
        return KIND_NAMES[type(self.content)]


def _kept(name: str, text: str, *, required: bool) -> str:
    # A file's name may hold bytes that are no text; databases take text alone, without NUL.
    text = text.encode("utf-8", "backslashreplace").decode().replace("\0", "\\x00")
    if len(text) > LONGEST_TEXT:
        raise BookError(
            f"{name} has {len(text)} characters",
            allowed=f"at most {LONGEST_TEXT} are kept",
            remedy="shorten it",
        )
    if name.startswith("sha256") and not SHA256.fullmatch(text):
        raise BookError(
            f"sha256 is {text[:80]!r}", allowed="64 hexadecimal digits", remedy="enter the photo"
        )
    if required and not text.strip():
        raise BookError(f"{name} is empty", allowed="a text is needed", remedy="say what it is")
    return text


def _check_number(name: str, value: float, limits: Mapping[str, Any]) -> None:
    # Nor not a number; and a whole number may be larger than any that can be reckoned with.
    if not limits["least"] <= value <= limits["most"]:
        raise BookError(
            f"{name} is {f'{value:g}' if isinstance(value, float) else str(value)[:40]}",
            allowed=f"from {limits['least']:g} to {limits['most']:g} is taken",
            remedy="check the figure and its unit",
        )
