"""How fast and how large: ratios within one run, on this machine as it is.

`compare` of two 12-megapixel photos, the whole process with its report, against one
`skimage.filters.sato` over one of them; the plain decoding of both beside it. Then `--help`
against a bare typer app of one command.
"""

import os
import re
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
import scenes
from PIL import Image
from skimage.filters import sato

PROGRAM = str(Path(sys.executable).with_name("defectscan"))
TURNS = 5
SIZE_PX = (4000, 3000)
SIGMAS = (1.001, 1.6, 2.4)
LOOK_EVERY_S = 0.01
BARE_APP = "import typer\napp = typer.Typer()\n@app.command()\ndef main() -> None: ...\napp()\n"


def large_photos(folder: Path) -> tuple[Path, Path]:
    """Write two rendered photos enlarged to `SIZE_PX`, with a phone's noise."""
    case = scenes.draw_case(6, furnished=True)
    rng = np.random.default_rng(0)
    paths = []
    for name, shot in (("before", case.before[0]), ("after", case.after[0])):
        large = cv2.resize(shot.rgb, SIZE_PX, interpolation=cv2.INTER_CUBIC)
        noisy = large + rng.normal(0, 2.5, large.shape).astype(np.float32)
        path = folder / f"{name}.jpg"
        Image.fromarray(np.clip(noisy, 0, 255).astype(np.uint8)).save(path, quality=92)
        paths.append(path)
    return paths[0], paths[1]


def seconds(command: list[str]) -> float:
    """Run a command and return how long it took."""
    start = time.perf_counter()
    subprocess.run(command, check=True, capture_output=True)
    return time.perf_counter() - start


def peak_mb(command: list[str], *, allowed: tuple[int, ...] = (0,)) -> float:
    """Run a command that may end with some statuses, and return the most memory it held, in MB.

    The peaks of its processes are added, though they need not fall together.
    """
    peaks_kb: dict[int, int] = {}
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        while process.poll() is None:
            for pid in (process.pid, *children(process.pid)):
                peaks_kb[pid] = max(peaks_kb.get(pid, 0), peak_kb(pid))
            time.sleep(LOOK_EVERY_S)
    if process.returncode not in allowed:
        raise subprocess.CalledProcessError(process.returncode, command)
    return sum(peaks_kb.values()) / 1024


def children(pid: int) -> list[int]:
    """Return the processes that a process has started and that still run."""
    try:
        tasks = list(Path(f"/proc/{pid}/task").iterdir())
        return [int(child) for t in tasks for child in (t / "children").read_text().split()]
    except OSError:
        return []


def peak_kb(pid: int) -> int:
    """Return the most memory that a running process has held, in kB; 0 once it has ended."""
    try:
        status = Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return 0
    found = re.search(r"VmHWM:\s+(\d+) kB", status)
    return int(found[1]) if found else 0


def main() -> None:
    """Run the benchmark from the command line."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        before, after = large_photos(folder)
        grey = np.asarray(Image.open(before).convert("L"), dtype=np.float32) / 255
        sato_times, compare_times, decode_times = [], [], []
        for turn in range(TURNS):
            start = time.perf_counter()
            sato(grey, sigmas=SIGMAS, black_ridges=False)
            sato_times.append(time.perf_counter() - start)
            compare = [PROGRAM, "compare", str(before), str(after), "--mm-per-px", "0.05"]
            compare_times.append(seconds([*compare, "--out", str(folder / f"out{turn}")]))
            start = time.perf_counter()
            for path in (before, after):
                with Image.open(path) as picture:
                    picture.load()
            decode_times.append(time.perf_counter() - start)
        compare_mb = peak_mb([*compare, "--out", str(folder / "out")])
        bare = folder / "bare.py"
        bare.write_text(BARE_APP)
        help_times = [seconds([PROGRAM, "--help"]) for _ in range(5)]
        bare_times = [seconds([sys.executable, str(bare), "--help"]) for _ in range(5)]
    sato_s, compare_s, decode_s = (
        statistics.median(t) for t in (sato_times, compare_times, decode_times)
    )
    ratios = sorted(c / s for c, s in zip(compare_times, sato_times, strict=True))
    help_s, bare_s = min(help_times), min(bare_times)
    print(f"cores: {os.cpu_count()}")
    print(f"sato over one 12-megapixel photo: {sato_s:.2f} s")
    print(
        f"compare, whole process with report: {compare_s:.2f} s = {statistics.median(ratios):.2f} "
        f"of it, turn by turn {ratios[0]:.2f} to {ratios[-1]:.2f}"
    )
    print(f"decoding both photos: {decode_s:.2f} s = {decode_s / sato_s:.2f} of it")
    print(f"peak memory of compare: {compare_mb:.0f} MB")
    print(f"--help: {help_s:.2f} s = {help_s / bare_s:.2f} of a bare app's {bare_s:.2f} s")


if __name__ == "__main__":
    main()
