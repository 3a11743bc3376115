"""Keep decoders quiet: what is wrong with a file is told by an error, and by nothing else."""

import contextlib
import logging
import os
import threading
import warnings
from collections.abc import Iterator
from pathlib import Path

import cv2
from PIL import Image

# Without a handler, Python writes errors that a library logs to standard error.
logging.getLogger("PIL").addHandler(logging.NullHandler())

_STDERR_FD = 2
_CODECS_LOCK = threading.Lock()


class StandardError:
    """Standard error as libraries in C see it: libtiff and LibRaw write there unasked."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._n_holding = 0
        self._own = -1

    @contextlib.contextmanager
    def held_back(self) -> Iterator[None]:
        """Let nothing through, for all threads, until the last one that asked for it is done."""
        with self._lock:
            if not self._n_holding:
                self._own = self._turned_away()
            self._n_holding += 1
        try:
            yield
        finally:
            with self._lock:
                self._n_holding -= 1
                if not self._n_holding and self._own >= 0:
                    os.dup2(self._own, _STDERR_FD)
                    os.close(self._own)

    @staticmethod
    def _turned_away() -> int:
        """Send it nowhere, and return where it went to, or -1 where it is closed."""
        try:
            own = os.dup(_STDERR_FD)
        except OSError:
            return -1
        with Path(os.devnull).open("wb") as nowhere:
            os.dup2(nowhere.fileno(), _STDERR_FD)
        return own


STANDARD_ERROR = StandardError()


@contextlib.contextmanager
def codecs_quiet() -> Iterator[None]:
    """Hold back what decoders say by themselves, and Pillow's limit on pixels, process-wide."""
    with _CODECS_LOCK, STANDARD_ERROR.held_back(), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        limit, Image.MAX_IMAGE_PIXELS = Image.MAX_IMAGE_PIXELS, None
        level = cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)
        try:
            yield
        finally:
            Image.MAX_IMAGE_PIXELS = limit
            cv2.utils.logging.setLogLevel(level)
