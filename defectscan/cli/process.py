"""How the process is set up for measuring, before anything heavy is imported."""

import codecs
import contextlib
import ctypes
import errno
import gc
import io
import os
import sys
from pathlib import Path
from typing import NoReturn

SWITCH_INTERVAL_S = 2e-4
# So many before garbage is looked for.
NEW_OBJECTS = 20_000
# Blocks up to here are kept when freed: the arrays of a photo as it is measured, not a large
# photo as it is read.
KEPT_BLOCK_BYTES = 1 << 26
KEPT_BYTES = 1 << 28
_SPELT_OUT = "defectscan.spelt_out"
# Their names in glibc's malloc.h.
_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD, _M_ARENA_MAX = -1, -3, -8


def set_up() -> None:
    """Set the process up for photos that are measured side by side."""
    # Threads within a matrix product would only be in the way.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # They wait for the interpreter between calls of compiled code, and modules load beside them.
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    # Modules are loaded by the hundred, and none of what they make is garbage.
    gc.set_threshold(NEW_OBJECTS, *gc.get_threshold()[1:])
    _keep_freed_memory()
    _take_any_text()


def leave(status: int | str | None) -> NoReturn:
    """End the process at once: taking down in order what it loaded takes a fifth of a second.

    Parameters
    ----------
    status
        As for `sys.exit`; 1 where what was said cannot be written.
    """
    if isinstance(status, str):
        sys.stderr.write(f"{status}\n")
        status = 1
    try:
        sys.stdout.flush()
    except OSError as error:
        if error.errno != errno.EPIPE:  # nobody listens any more: that is no fault
            sys.stderr.write(f"{cannot_write(error)}\n")
        status = 1
    os._exit(status or 0)


def cannot_write(error: OSError) -> str:
    """Word the error that what was to be read or written could not be."""
    reason = error.strerror or type(error).__name__
    name = f"{error.filename}: " if error.filename else ""
    return (
        f"{name}{reason}; files that can be read, and room for what is written, are needed; "
        "check the disk and its permissions"
    )


def _take_any_text() -> None:
    """Let standard output take letters that its encoding lacks, or that nobody may read."""
    if sys.stdout is None:
        sys.stdout = Path(os.devnull).open("w")  # noqa: SIM115 - to the end
    codecs.register_error(_SPELT_OUT, _spell_out)
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors=_SPELT_OUT)


def _spell_out(error: UnicodeError) -> tuple[str, int]:
    """Spell letters as Python would, but a minus, which must be read, as a hyphen."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    letters = error.object[error.start : error.end].replace("\N{MINUS SIGN}", "-")
    return letters.encode("ascii", "backslashreplace").decode(), error.end


def _keep_freed_memory() -> None:
    """Have freed memory used again: clean pages for each new array cost a tenth of all work."""
    # Other C libraries have no such setting, and decide by themselves.
    with contextlib.suppress(AttributeError, OSError, TypeError):
        set_option = ctypes.CDLL(None).mallopt
        set_option(_M_MMAP_THRESHOLD, KEPT_BLOCK_BYTES)
        set_option(_M_TRIM_THRESHOLD, KEPT_BYTES)
        set_option(_M_ARENA_MAX, 1)
