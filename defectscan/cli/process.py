"""How the process is set up for measuring, before anything heavy is imported."""

import contextlib
import ctypes
import os
import sys
from typing import NoReturn

SWITCH_INTERVAL_S = 2e-4
# Blocks up to here are kept when freed: the arrays of a photo as it is measured, not a large
# photo as it is read.
KEPT_BLOCK_BYTES = 1 << 26
KEPT_BYTES = 1 << 28
# Their names in glibc's malloc.h.
_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD, _M_ARENA_MAX = -1, -3, -8


def set_up() -> None:
    """Set the process up for photos that are measured side by side."""
    # Threads within a matrix product would only be in the way.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # They wait for the interpreter between calls of compiled code, and modules load beside them.
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    _keep_freed_memory()


def leave(status: int | str | None) -> NoReturn:
    """End the process at once: taking down in order what it loaded takes a fifth of a second.

    Parameters
    ----------
    status
        As for `sys.exit`.
    """
    if isinstance(status, int | None):
        # What cannot be written is told in the usual way.
        with contextlib.suppress(OSError, ValueError, AttributeError):
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(status or 0)
    sys.exit(status)


def _keep_freed_memory() -> None:
    """Have freed memory used again: clean pages for each new array cost a tenth of all work."""
    # Other C libraries have no such setting, and decide by themselves.
    with contextlib.suppress(AttributeError, OSError, TypeError):
        set_option = ctypes.CDLL(None).mallopt
        set_option(_M_MMAP_THRESHOLD, KEPT_BLOCK_BYTES)
        set_option(_M_TRIM_THRESHOLD, KEPT_BYTES)
        set_option(_M_ARENA_MAX, 1)
