"""Photos and clips beside the job book, each under the SHA-256 of its content, never altered."""

import hashlib
import os
import time
from pathlib import Path

from defectscan.workshop.book_entries import SHA256, BookError

PICTURES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".heic", ".heif", ".webp", ".avif")
CLIPS = (".mp4", ".m4v", ".mov", ".avi", ".mkv", ".webm", ".3gp")
SUFFIXES = (*PICTURES, *CLIPS)
STALE_AFTER_S = 86_400


class PhotoStore:
    """A folder of photos: two letters of the hash, then the hash and the photo's suffix."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def path(self, sha256: str, suffix: str) -> Path:
        """Return where a photo is kept, whether it is there or not."""
        if not SHA256.fullmatch(sha256) or suffix not in ("", *SUFFIXES):
            raise ValueError(f"{sha256!r} with {suffix!r} names no photo")
        return self.folder / sha256[:2] / (sha256 + suffix)

    def keep(self, data: bytes, *, suffix: str) -> str:
        """Keep a photo and return its SHA-256; it is on the disk, whole, when this returns.

        Parameters
        ----------
        data
            The file's bytes.
        suffix
            With its dot, in small letters; any but those of photos is left off.

        Raises
        ------
        DefectscanError
            If it cannot be written.
        """
        from defectscan.output import write_whole  # noqa: PLC0415 - loads numpy

        sha256 = hashlib.sha256(data).hexdigest()
        path = self.path(sha256, suffix)
        if not _holds(path, sha256):
            write_whole(path, data, force=True)
            _settle(path.parent, self.folder, self.folder.parent)
            _sweep(path.parent)
        return sha256

    def read(self, sha256: str, suffix: str) -> bytes:
        """Return a photo's bytes, proven by its hash.

        Raises
        ------
        BookError
            If the photo is missing or has been altered.
        """
        path = self.path(sha256, suffix)
        try:
            data = path.read_bytes()
        except OSError as error:
            raise BookError(
                f"{path} cannot be read ({error.strerror})",
                allowed="every photo of the book is needed",
                remedy="bring it back from a copy of the book",
            ) from error
        if hashlib.sha256(data).hexdigest() != sha256:
            raise BookError(
                f"{path} has been altered",
                allowed="a photo in the book stays as it was entered",
                remedy="bring it back from a copy of the book",
            )
        return data


def _holds(path: Path, sha256: str) -> bool:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest() == sha256
    except OSError:
        return False


def _settle(*folders: Path) -> None:
    """Have the folders' own entries on the disk too, or a new name is lost with the power."""
    if os.name != "posix":
        return
    for folder in folders:
        try:
            handle = os.open(folder, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)
        except OSError as error:
            raise BookError(
                f"{folder} cannot be brought to the disk ({error.strerror})",
                allowed="the disk must take what is entered",
                remedy="check the disk, then enter it again",
            ) from error


def _sweep(folder: Path) -> None:
    """Remove what a killed program left half-written, once nobody can be writing it."""
    for part in folder.glob(".*.part"):
        try:
            if time.time() - part.stat().st_mtime > STALE_AFTER_S:
                part.unlink()
        except OSError:
            continue
