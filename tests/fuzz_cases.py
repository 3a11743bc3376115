"""Cases of bad input, and what is asked of each: a right answer or one clear line.

A case writes files into a folder of its own and has them read, by a function of the package or by
the command in process. What it ends in is an `Ending`: an answer, a refusal, or a find.
"""

import contextlib
import importlib
import io
import os
import resource
import sys
import tempfile
import time
import traceback
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from unittest import mock

import numpy as np

from defectscan.errors import DefectscanError
from defectscan.imaging.clip import read_clip
from defectscan.imaging.photo import Photo, read_photo
from defectscan.judging.limits import judging_limits
from defectscan.report.letterhead import read_letterhead
from defectscan.workshop.limits_file import workshop_limits

ANSWER, REFUSAL = "answer", "refusal"
MOST_S = 20.0
MOST_BYTES = 2_000_000_000
_MOST_LINE = 3000
_RAN_OUT = ("MemoryError", "bad_alloc", "Insufficient memory", "out of memory")


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """Files, and what is done with them.

    Attributes
    ----------
    files
        Name in the case's folder, and content.
    reader
        One of `READERS`; for "command", the arguments are told in `commands`.
    name
        The file that the reader is given.
    commands
        One after the other, as long as they give an answer; `{folder}` stands for the folder.
    """

    files: dict[str, bytes] = field(repr=False)
    reader: str = "command"
    name: str = ""
    commands: tuple[tuple[str, ...], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Ending:
    """What a case ended in: an answer, a refusal, or a find by its name."""

    what: str
    told: str = ""

    @property
    def is_find(self) -> bool:
        return self.what not in (ANSWER, REFUSAL)


def end_of(case: Case, folder: Path) -> Ending:
    """Write a case's files, have them read, and judge the end."""
    for name, data in case.files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    if case.reader != "command":
        read = READERS[case.reader]
        return judged(lambda: read(folder, case.name), folder)
    ending = Ending(what=ANSWER)
    with contextlib.chdir(folder):
        for words in case.commands:
            if ending.what == ANSWER:
                told = tuple(word.format(folder=folder) for word in words)
                ending = _end_of_command(told, folder)
    return ending


def judged(call: Callable[[], object], folder: Path) -> Ending:
    """Judge a call that returns a right answer or raises a `DefectscanError`."""
    with _watched(folder) as watched:
        try:
            call()
            ending = Ending(what=ANSWER)
        except DefectscanError as error:
            ending = _line(str(error))
        except Exception:  # noqa: BLE001 - this is what is looked for
            ending = Ending(what="traceback", told=traceback.format_exc())
    if ending.is_find:
        return ending
    return watched.find() or watched.written(set()) or ending


def _end_of_command(words: tuple[str, ...], folder: Path) -> Ending:
    with _watched(folder) as watched:
        status, out, err, raised = run_command(words)
    ending = Ending(what=ANSWER)
    if raised:
        ending = Ending(what="traceback", told=raised)
    elif status == 0 and err:
        ending = Ending(what="noise", told=err)
    elif status == 2:
        ending = _usage(err)
    elif status == 1:
        ending = _refused(words[0], out, err)
    elif status != 0:
        ending = Ending(what="status", told=f"{status}: {err}")
    if ending.is_find:
        return ending
    if status == 0 or words[0] == "check":  # whose record tells what cannot be measured, too
        may_write = None
    else:
        # A job book keeps what was entered before.
        may_write = {"book"} if words[0] in ("job", "judge") else set()
    return watched.find() or watched.written(may_write) or ending


def run_command(words: tuple[str, ...]) -> tuple[int, str, str, str]:
    """Run `defectscan` in process; return its status, its two outputs, and a traceback if any."""
    out = io.TextIOWrapper(io.BytesIO(), encoding="utf-8", newline="\n")
    err = io.TextIOWrapper(io.BytesIO(), encoding="utf-8", errors="backslashreplace", newline="\n")
    status, raised = 0, ""
    with (
        mock.patch.object(sys, "argv", ["defectscan", *words]),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        try:
            importlib.import_module("defectscan.cli.main").run()
        except SystemExit as leaving:
            status = leaving.code if isinstance(leaving.code, int) else int(bool(leaving.code))
        except Exception:  # noqa: BLE001 - this is what is looked for
            raised = traceback.format_exc()
    texts = []
    for stream in (out, err):
        stream.flush()
        texts.append(stream.buffer.getvalue().decode("utf-8", "replace"))
    return status, texts[0], texts[1], raised


def _line(text: str) -> Ending:
    if any(word in text for word in _RAN_OUT):
        return Ending(what="memory", told=text)
    if not text or len(text.splitlines()) != 1 or len(text) > _MOST_LINE or "Traceback" in text:
        return Ending(what="line", told=repr(text[:5000]))
    if "\x1b" in text or "\0" in text:
        return Ending(what="line", told=repr(text[:5000]))
    return Ending(what=REFUSAL, told=text)


def _refused(command: str, out: str, err: str) -> Ending:
    """Judge what a command says that gives no answer, or not to all."""
    # `check` says in standard output what is wrong with a photo that was read.
    if command == "check" and out and not err:
        return Ending(what=REFUSAL, told=out)
    text = err.removesuffix("\n")
    if command != "report":
        return _line(text)
    # One line for each panel that fails.
    endings = [_line(line) for line in text.split("\n")]
    return next((one for one in endings if one.is_find), endings[0])


def _usage(err: str) -> Ending:
    """Judge a wrong usage: how to use it, and one line that says what is wrong."""
    *before, last = err.removesuffix("\n").splitlines() or [""]
    if last.startswith("Error: ") and not any(line.startswith("Error") for line in before):
        return Ending(what=REFUSAL, told=last)
    return Ending(what="line", told=repr(err[:5000]))


class _Watch:
    """What a call left behind, apart from its answer."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.before = set(folder.rglob("*"))
        self.noise = ""
        self.wall_s = self.cpu_s = 0.0

    def find(self) -> Ending | None:
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
        if peak > MOST_BYTES:
            return Ending(what="memory", told=f"{peak / 1e6:.0f} MB at most")
        if min(self.wall_s, self.cpu_s) > MOST_S:
            return Ending(what="slow", told=f"{self.wall_s:.1f} s, {self.cpu_s:.1f} s of processor")
        return Ending(what="noise", told=self.noise) if self.noise else None

    def written(self, may_write: set[str] | None) -> Ending | None:
        """Find what is half written, or lies outside where anything may be (`None`: anywhere)."""
        fresh = set(self.folder.rglob("*")) - self.before
        odd = [
            path
            for path in fresh
            if path.name.endswith(".part")
            or (may_write is not None and path.relative_to(self.folder).parts[0] not in may_write)
        ]
        return Ending(what="left behind", told=str(sorted(odd)[:5])) if odd else None


@contextlib.contextmanager
def _watched(folder: Path) -> Iterator[_Watch]:
    """Watch what is written, how long it takes, and what goes past Python to standard error."""
    watch = _Watch(folder)
    sys.stderr.flush()
    with tempfile.TemporaryFile() as file, warnings.catch_warnings(record=True) as warned:
        warnings.simplefilter("always")
        for unshown in (DeprecationWarning, PendingDeprecationWarning, ResourceWarning):
            warnings.simplefilter("ignore", unshown)  # as Python does by itself
        own = os.dup(2)
        os.dup2(file.fileno(), 2)
        start, cpu = time.perf_counter(), time.process_time()
        heard = io.StringIO()
        try:
            with contextlib.redirect_stderr(heard):
                yield watch
        finally:
            watch.wall_s, watch.cpu_s = time.perf_counter() - start, time.process_time() - cpu
            os.dup2(own, 2)
            os.close(own)
            file.seek(0)
            watch.noise = file.read(2000).decode("utf-8", "replace") + heard.getvalue()[:2000]
            watch.noise += "".join(f"{one.category.__name__}: {one.message}\n" for one in warned)


def _check_photo(photo: Photo) -> None:
    """Check that an answer is a photo at all."""
    shape = photo.luminance.shape
    assert min(shape) > 0
    assert photo.clipped.shape == shape == photo.rgb.shape[:2]
    assert photo.rgb.shape[2:] == (3,)
    assert np.isfinite(photo.luminance).all()
    assert float(photo.luminance.min()) >= 0
    assert float(photo.luminance.max()) <= 1
    assert 0 < photo.scale <= 1
    for value in (photo.exposure.exposure_value, photo.exposure.exposure_value_100):
        assert value is None or np.isfinite(value)


def _photo(folder: Path, name: str) -> None:
    _check_photo(read_photo(folder / name, max_side_px=2000))


def _clip(folder: Path, name: str) -> None:
    for photo in read_clip(folder / name, max_side_px=2000):
        _check_photo(photo)


def _limits(folder: Path, _: str) -> None:
    workshop_limits(folder, {})


def _judging_limits(folder: Path, _: str) -> None:
    judging_limits(folder)


def _letterhead(folder: Path, _: str) -> None:
    read_letterhead(folder)


READERS: dict[str, Callable[[Path, str], None]] = {
    "photo": _photo,
    "clip": _clip,
    "limits": _limits,
    "judging limits": _judging_limits,
    "letterhead": _letterhead,
}
