"""A telemetry frame to checked steady-state results."""
