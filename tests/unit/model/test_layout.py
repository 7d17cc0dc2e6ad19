"""Arrays that lie in memory as they should."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest

from monitor.model.layout import UNTOUCHED_FROM, added, copy_of_touched, laid_out, touched, untouched

SHAPE = (500, 16, 52)


@pytest.mark.parametrize("n", [0, 1, 3, UNTOUCHED_FROM // 832 + 1])
def test_what_was_never_written_is_zero_and_can_be_written(n: int) -> None:
    array = untouched(n, 16, 52)
    assert array.shape == (n, 16, 52)
    assert not array.any()
    assert not touched(array).any()
    array[n // 2 :] = 2.5
    assert array.sum() == 2.5 * array[n // 2 :].size
    assert touched(array).tolist() == [row >= n // 2 for row in range(n)]


def test_a_copy_is_the_same_and_on_its_own() -> None:
    array = untouched(*SHAPE)
    array[[3, 7, 499]] = np.arange(16.0 * 52.0).reshape(16, 52)
    copy = copy_of_touched(array)
    assert np.array_equal(copy, array)
    copy[8] = 1.0
    array[3] = -1.0
    assert not array[8].any()
    assert copy[3].max() == 16.0 * 52.0 - 1.0


def test_memory_is_taken_where_it_is_written_only() -> None:
    program = """
from monitor.model.layout import copy_of_touched, untouched
def resident_mb():
    return next(float(line.split()[1]) for line in open("/proc/self/status") if line.startswith("VmRSS")) / 1024
before = resident_mb()
arrays = [untouched(20_000, 16, 52)]
arrays[0][5] = 1.0
arrays += [copy_of_touched(arrays[0]) for _ in range(4)]
print(resident_mb() - before)
"""
    ran = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert float(ran.stdout) < 40.0, "five arrays of 133 MB each, one row written"


def test_the_same_quantity_of_all_sumps_lies_side_by_side() -> None:
    array = laid_out(np.arange(24.0).reshape(4, 2, 3))
    assert array.shape == (4, 2, 3)
    assert array.strides[0] == 8
    assert added(array[:, 0]).tolist() == array[:, 0].sum(axis=1).tolist()
