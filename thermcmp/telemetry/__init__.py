"""Per-second logs: readers, clocks, steady state, protocol and reduction to rows."""
