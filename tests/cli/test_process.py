"""How the process is set up: what it is told, and what that saves."""

import platform
import subprocess
import sys

import pytest

PAGES_OF_FIFTY_ARRAYS = """
import resource, numpy
def pages(): return resource.getrusage(resource.RUSAGE_SELF).ru_minflt
numpy.ones(10_000_000, numpy.float32)
before = pages()
for _ in range(50): numpy.ones(10_000_000, numpy.float32)
print(pages() - before)
"""
SET_UP = "from defectscan.cli.process import set_up\nset_up()\n"


def told(code: str) -> str:
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return done.stdout


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="a setting of glibc's")
def test_freed_memory_is_used_again() -> None:
    kept, fresh = (int(told(code + PAGES_OF_FIFTY_ARRAYS)) for code in (SET_UP, ""))
    # Of 2 MB each, where the system gives large ones.
    assert kept < 100
    assert fresh > 900


def test_matrix_products_have_one_thread_unless_told_otherwise() -> None:
    ask = SET_UP + "import os; print(os.environ['OPENBLAS_NUM_THREADS'])\n"
    assert told(f"import os; os.environ.pop('OPENBLAS_NUM_THREADS', None)\n{ask}") == "1\n"
    assert told(f"import os; os.environ['OPENBLAS_NUM_THREADS'] = '3'\n{ask}") == "3\n"


LEAVE = "from defectscan.cli.process import leave\n"


@pytest.mark.parametrize(("status", "told"), [("0", 0), ("None", 0), ("3", 3), ("'no'", 1)])
def test_leaving_gives_the_status_and_what_was_said(status: str, told: int) -> None:
    code = f"{LEAVE}import atexit; atexit.register(print, 'late'); print('said'); leave({status})"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == told
    # A word instead of a number is told by the interpreter, in its own time.
    assert done.stdout.split() == (["said"] if told != 1 else ["said", "late"])
    assert done.stderr.split() == ([] if told != 1 else ["no"])


@pytest.mark.skipif(sys.platform == "win32", reason="pipes end otherwise there")
def test_leaving_with_nobody_listening_is_told() -> None:
    with subprocess.Popen(
        [sys.executable, "-c", f"{LEAVE}input(); print('said'); leave(0)"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    ) as process:  # fmt: skip
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdout.close()
        process.stdin.write(b"\n")
        process.stdin.close()
        assert process.wait() != 0
