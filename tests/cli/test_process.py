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
