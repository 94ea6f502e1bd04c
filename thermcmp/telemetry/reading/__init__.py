"""Log files to telemetry frames."""
