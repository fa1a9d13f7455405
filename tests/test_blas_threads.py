"""The linear algebra under numpy and scipy keeps to one thread where ours are at work."""

import time

import numpy as np
import pytest
import scipy.linalg  # noqa: F401  (its library counts once it is in use)

from stacker.blas_threads import _switches, one_blas_thread


@pytest.mark.skipif(not _switches(True), reason="numpy and scipy stand on another library here")
def test_the_number_of_threads_is_one_inside_and_as_before_afterwards() -> None:
    before = [read() for read, _ in _switches(True)]
    with one_blas_thread():
        assert [read() for read, _ in _switches(True)] == [1] * len(before)
    with pytest.raises(ZeroDivisionError), one_blas_thread():
        raise ZeroDivisionError
    assert [read() for read, _ in _switches(True)] == before


def test_a_product_of_matrices_costs_one_processor_only() -> None:
    """Processor time of this process does not run ahead of the clock: only one thread was at work."""
    matrix = np.random.default_rng(1).normal(size=(700, 700))
    with one_blas_thread():
        wall, cpu = time.perf_counter(), time.process_time()
        for _ in range(5):
            matrix @ matrix
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    assert cpu < 1.2 * wall + 0.05
