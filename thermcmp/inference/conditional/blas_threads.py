"""How many threads the linear algebra may use."""

from __future__ import annotations

from contextlib import AbstractContextManager


def one_blas_thread() -> AbstractContextManager[object]:
    """Keep BLAS to one thread: for many small matrices, threads cost more than they bring."""
    # A BLAS that is loaded inside the block would escape the limit; SciPy has its own.
    import scipy.linalg  # noqa: F401
    from threadpoolctl import threadpool_limits

    return threadpool_limits(limits=1, user_api="blas")
