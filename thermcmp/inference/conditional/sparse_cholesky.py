"""Cholesky factors of many sparse systems of one pattern at once."""

from __future__ import annotations

from contextlib import suppress

import numpy as np

from thermcmp._types import Array, IntArray
from thermcmp.inference.conditional.elimination_order import Elimination


class Factor:
    """Cholesky factors of B systems, with the response as the last node.

    `slots`, shape (slots, B), holds the systems and is overwritten by the factors. The factor of
    a system that is not positive definite is NaN.
    """

    def __init__(self, plan: Elimination, slots: Array) -> None:
        from thermcmp.inference.conditional import compiled_loops

        self.plan, self.slots, self._loops = plan, slots, compiled_loops
        t, b = len(plan.tail), slots.shape[1]
        compiled_loops.factorise(plan.start, plan.cut, plan.target, slots)
        compiled_loops.subtract_from_tail(plan.by_row, plan.low, plan.at, t, slots)
        last = slots[plan.start[-1] :].T
        self.tail = np.array(last, order="C").reshape(b, t, t)
        try:
            compiled_loops.factorise_full(self.tail)
        except np.linalg.LinAlgError:
            # A point far out, where rounding outweighs the priors, is no fault of the others.
            self.tail = _each_by_itself(last.reshape(b, t, t))

    @property
    def log_determinant(self) -> Array:
        """Log determinants without the response, shape (B,)."""
        # A system that is not positive definite has none.
        with np.errstate(divide="ignore", invalid="ignore"):
            tail = np.log(np.diagonal(self.tail, axis1=1, axis2=2)[:, :-1]).sum(axis=1)
            return np.asarray(2.0 * (tail + np.log(self.slots[self.plan.start[:-1]]).sum(axis=0)))

    @property
    def left_over(self) -> Array:
        """The response's pivot squared once all nodes are eliminated, shape (B,)."""
        return np.asarray(self.tail[:, -1, -1] ** 2)

    def forward(self, x: Array, which: IntArray) -> Array:
        """Return L⁻¹x for x of shape (q, C); `which`, ascending, names each column's system."""
        plan = self.plan
        # The response is a node as well, whose result is dropped.
        x = np.vstack([x, np.zeros((1, x.shape[1]))])
        self._loops.forward(plan.start, plan.node, plan.row, self.slots, which, x)
        self._solve_tail(x, which, transposed=False)
        return x[:-1]

    def backward(self, x: Array, which: IntArray) -> Array:
        """Return L⁻ᵀx for x of shape (q, C); `which`, ascending, names each column's system."""
        plan = self.plan
        x = np.vstack([x, np.zeros((1, x.shape[1]))])
        self._solve_tail(x, which, transposed=True)
        self._loops.backward(plan.start, plan.node, plan.row, self.slots, which, x)
        return x[:-1]

    def half(self) -> Array:
        """Return L⁻¹c, shape (q, B), with c the response's row of the systems."""
        plan = self.plan
        q = len(plan.node) + len(plan.tail) - 1
        out = np.zeros((q, self.slots.shape[1]))
        out[plan.node] = self.slots[plan.response]
        out[plan.tail[:-1]] = self.tail[:, -1, :-1].T
        return out

    def inverse(self) -> Array:
        """Return the entries of the inverse at every slot, without the response, shape (slots, B).

        Backward recursion over the factor's own pattern (Takahashi, Fagan & Chin 1973;
        Erisman & Tinney, Communications of the ACM 18 (1975) 177-179).
        """
        from scipy.linalg.lapack import dpotri

        plan, b, t = self.plan, self.slots.shape[1], len(self.plan.tail)
        z = np.zeros_like(self.slots)
        dense = z[plan.start[-1] :].reshape(t, t, b)
        for i in range(b):
            # Only the lower triangle is set.
            dense[:-1, :-1, i] = dpotri(self.tail[i, :-1, :-1].T, lower=0)[0].T
        # The response is linked to every node but is not an effect.
        a = self.slots[: plan.start[-1]].copy()
        a[plan.response] = 0.0
        self._loops.invert_tail_part(plan.by_row, plan.low, plan.at, t, a, z)
        self._loops.invert(plan.start, plan.cut, plan.target, a, z)
        return z

    def _solve_tail(self, x: Array, which: IntArray, *, transposed: bool) -> None:
        """Solve with each system's tail, in place; x has a row per node."""
        from scipy.linalg.lapack import dtrtrs

        ends = np.searchsorted(which, np.arange(len(self.tail) + 1))
        for low, first, stop in zip(self.tail, ends[:-1], ends[1:], strict=True):
            if stop > first:
                right = x[self.plan.tail, first:stop]
                # In LAPACK's column order the factor is an upper one.
                x[self.plan.tail, first:stop] = dtrtrs(
                    low.T, right, lower=0, trans=int(not transposed)
                )[0]


def _each_by_itself(systems: Array) -> Array:
    """Return the factors of full systems, shape (B, t, t), NaN where there is none."""
    factors = np.full_like(systems, np.nan)
    for system, factor in zip(systems, factors, strict=True):
        with suppress(np.linalg.LinAlgError):
            factor[:] = np.linalg.cholesky(system)
    return factors
