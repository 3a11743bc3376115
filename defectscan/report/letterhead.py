"""The workshop's own name and logo, said with the command or kept beside the job book."""

import io
import warnings
from dataclasses import dataclass
from pathlib import Path

from PIL import Image, ImageOps

from defectscan.errors import DefectscanError
from defectscan.report.wording import typed
from defectscan.settings_file import read_settings, wrong_setting

FILE = "workshop.toml"
_FORMATS = ("PNG", "JPEG", "WEBP")
_LONGEST_PX = 800
_MOST_PX = 100_000_000
_MOST_BYTES = 50_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Letterhead:
    """Name and logo at the head of a report; the logo is a PNG file."""

    workshop: str = ""
    logo: bytes = b""


def read_letterhead(
    folder: Path, *, workshop: str | None = None, logo: Path | None = None
) -> Letterhead:
    """Return name and logo: as given now, otherwise as `workshop.toml` in the folder has them.

    Parameters
    ----------
    folder
        Of the job book; a logo that the file names is looked for from there.
    workshop, logo
        As given now; an empty name stands for none.

    Raises
    ------
    DefectscanError
        If the file or the logo cannot be read.
    """
    kept = _read(folder / FILE)
    name = kept.get("name", "") if workshop is None else workshop
    file = folder / kept["logo"] if logo is None and "logo" in kept else logo
    return Letterhead(workshop=typed(name), logo=b"" if file is None else plain_logo(file))


def plain_logo(file: Path) -> bytes:
    """Draw a logo anew on white, so that nothing but its pixels reaches the report.

    Parameters
    ----------
    file
        PNG, JPEG or WebP.

    Returns
    -------
    bytes
        A PNG file without metadata, reduced to 800 pixels.

    Raises
    ------
    DefectscanError
        If it is none of these or cannot be read whole.
    """
    try:
        picture = _picture(file)
    except DefectscanError:
        raise
    except Exception as error:  # damaged bytes make a decoder raise anything
        raise _unreadable(file, f"cannot be read ({_said(error)})") from error
    picture.thumbnail((_LONGEST_PX, _LONGEST_PX))
    ground = Image.new("RGBA", picture.size, "white")
    ground.alpha_composite(picture)
    data = io.BytesIO()
    ground.convert("RGB").save(data, "PNG", optimize=True)
    return data.getvalue()


def _picture(file: Path) -> Image.Image:
    size = file.stat().st_size
    if size > _MOST_BYTES:
        raise _unreadable(file, f"has {size} bytes")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with Image.open(file, formats=_FORMATS) as opened:
            if opened.width * opened.height > _MOST_PX:
                raise _unreadable(file, f"is {opened.width} by {opened.height} pixels")
            opened.draft("RGB", (_LONGEST_PX, _LONGEST_PX))
            return ImageOps.exif_transpose(opened).convert("RGBA")


def _read(path: Path) -> dict[str, str]:
    told = read_settings(path)
    for name, value in told.items():
        if name not in ("name", "logo") or not isinstance(value, str):
            raise wrong_setting(path, name, value, allowed="it takes name and logo, both texts")
    return told


def _said(error: Exception) -> str:
    return " ".join(str(getattr(error, "strerror", None) or error).split())


def _unreadable(file: Path, why: str) -> DefectscanError:
    return DefectscanError(
        f"the logo {str(file)!r} {why}",
        allowed="a PNG, JPEG or WebP file of at most 100 million pixels is taken",
        remedy="save the logo in one of these forms",
    )
