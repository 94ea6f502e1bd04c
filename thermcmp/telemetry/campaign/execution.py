"""The logs of a campaign reduced one after the other, here or by an executor."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import (
    BrokenExecutor,
    CancelledError,
    Executor,
    Future,
    ProcessPoolExecutor,
)
from contextlib import suppress
from multiprocessing import get_context
from typing import Any

from thermcmp.telemetry.campaign.worker import Outcome, Task, reduce_log, refusal

#: What is said of a log whose worker did not come back.
_LOST = (
    "its worker process was killed while it reduced this log. Fix: see whether the machine ran "
    "out of memory, or leave the log out"
)


def outcomes_of(tasks: Sequence[Task], executor: Executor | None) -> Iterator[Outcome]:
    """Yield the outcome of each log, in order.

    Where a worker of the pool is killed, what is finished stays, and each log that is not is
    reduced in a process of its own. An interrupt stops the pool and its workers at once.
    """
    if executor is None:
        yield from map(reduce_log, tasks)
        return
    futures: deque[Future[Outcome] | None] = deque()
    context = getattr(executor, "_mp_context", None) or get_context("spawn")
    try:
        futures.extend(_submitted(executor, task) for task in tasks)
        for task in tasks:
            # A future that is kept keeps its outcome too.
            future = futures.popleft()
            try:
                outcome = None if future is None else future.result()
            except Exception as error:
                if not _is_lost(error):
                    raise
                outcome = None
            yield _alone(task, context) if outcome is None else outcome
    except GeneratorExit:
        raise
    except (KeyboardInterrupt, SystemExit):
        # The pool cancels what waits; cancelled from here, a future that it takes for waiting
        # would fail its thread.
        futures.clear()
        _stop(executor)
        raise
    finally:
        for future in futures:
            if future is not None:
                future.cancel()


def _is_lost(error: Exception) -> bool:
    """Whether the worker is gone: Dask's errors have no base in common with a pool's."""
    of_dask = type(error).__module__.startswith("distributed.")
    return of_dask or isinstance(error, (BrokenExecutor, CancelledError))


def _submitted(executor: Executor, task: Task) -> Future[Outcome] | None:
    """Return the future of a log, or None where the pool broke before it took it."""
    with suppress(BrokenExecutor):
        return executor.submit(reduce_log, task)
    return None


def _alone(task: Task, context: Any) -> Outcome:
    """Reduce a log in a process of its own; if that is killed too, the log is named."""
    with ProcessPoolExecutor(1, mp_context=context) as own:
        try:
            return own.submit(reduce_log, task).result()
        except BrokenExecutor:
            refused = [refusal(run.file, run.name, _LOST) for run in task.runs]
            return Outcome(refused=refused)
        except (KeyboardInterrupt, SystemExit):
            _stop(own)
            raise


def _stop(executor: Executor) -> None:
    """Stop a pool and what its workers are at; it takes no more work."""
    terminate: Callable[[], None] | None = getattr(executor, "terminate_workers", None)
    if terminate is not None:
        terminate()
        return
    # Before Python 3.14 a pool has no method for it, and one shut down forgets its processes.
    processes = list((getattr(executor, "_processes", None) or {}).values())
    try:
        executor.shutdown(wait=False, cancel_futures=True)
    except TypeError:
        # Dask's executor has no such argument, and cancels what waits.
        executor.shutdown(wait=False)
    for process in processes:
        process.terminate()
