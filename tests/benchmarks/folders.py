"""`check` of a large folder beside a small one, stopped and gone on; and how large a report is.

The photos are the sample job's, cut and saved anew, so that no two are the same. Then the report of
three of its panels.
"""

import argparse
import json
import shutil
import signal
import subprocess
import tempfile
import time
from pathlib import Path

from PIL import Image
from speed import PROGRAM, peak_mb

SAMPLES = Path(__file__).parents[2] / "sample_images"
SMALL, STOPPED_AFTER = 15, 20
PANELS = 3


def draw_folder(folder: Path, n_photos: int) -> list[str]:
    """Write so many photos into a folder, and return the command that checks them."""
    folder.mkdir()
    files = sorted(SAMPLES.glob("*/*.jpg"))
    for number in range(n_photos):
        with Image.open(files[number % len(files)]) as photo:
            cut = photo.crop((number // len(files), 0, photo.width, photo.height))
            cut.save(folder / f"{number:04d}.jpg", quality=90)
    return [PROGRAM, "check", str(folder), "--mm-per-px", "0.1"]


def measured(command: list[str]) -> tuple[float, float]:
    """Run a check and return its peak memory in MB and the seconds it took."""
    start = time.perf_counter()
    peak = peak_mb([*command, "--json", "-"], allowed=(0, 1))
    return peak, time.perf_counter() - start


def going_on(command: list[str], out: Path) -> tuple[int, int, int]:
    """Stop a check with Ctrl-C, and start it again.

    Returns
    -------
    tuple
        How many pictures there were, how many of these it left as they were, and how many photos
        it tells of in the end.
    """
    command = [*command, "--out", str(out)]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        while len(list(out.glob("*.jpg"))) < STOPPED_AFTER and process.poll() is None:
            time.sleep(0.05)
        process.send_signal(signal.SIGINT)
    made = {path: path.stat().st_mtime_ns for path in out.glob("*.jpg")}
    subprocess.run(command, capture_output=True, check=False)
    kept = sum(path.stat().st_mtime_ns == when for path, when in made.items())
    (told,) = out.glob("*.json")
    return len(made), kept, len(json.loads(told.read_text())["photos"])


def report_mb(folder: Path) -> dict[str, float]:
    """Return the size of each file of a report of `PANELS` panels, in MB."""
    job = json.loads((SAMPLES / "job.json").read_text())
    job["panels"] = job["panels"][:PANELS]
    home = folder / "job"
    shutil.copytree(SAMPLES, home)
    (home / "job.json").write_text(json.dumps(job))
    out = folder / "report"
    subprocess.run(
        [PROGRAM, "report", str(home), "--out", str(out)], capture_output=True, check=True
    )
    return {path.name: path.stat().st_size / 1e6 for path in sorted(out.glob("report.*"))}


def main() -> None:
    """Run the benchmark from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=int, default=500)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        small = draw_folder(folder / "small", SMALL)
        large = draw_folder(folder / "large", given.photos)
        for n_photos, command in ((SMALL, small), (given.photos, large)):
            peak, seconds = measured(command)
            each = seconds / n_photos
            print(f"check of {n_photos} photos: {peak:.0f} MB at most, {each:.2f} s each")
        made, kept, told = going_on(large, folder / "out")
        print(
            f"stopped after {made} pictures, gone on: {kept} left as they were, {told} photos told"
        )
        sizes = ", ".join(f"{file} {mb:.1f} MB" for file, mb in report_mb(folder).items())
        print(f"report of {PANELS} panels: {sizes}")


if __name__ == "__main__":
    main()
