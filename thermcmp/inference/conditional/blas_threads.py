"""Number of threads of the linear algebra."""

from __future__ import annotations

from contextlib import AbstractContextManager


def one_blas_thread() -> AbstractContextManager[object]:
    """Limit BLAS to one thread: for many small matrices, threads cost more than they save."""
    # A BLAS loaded inside the block would escape the limit; SciPy has a separate one.
    import scipy.linalg  # noqa: F401
    from threadpoolctl import threadpool_limits

    return threadpool_limits(limits=1, user_api="blas")
