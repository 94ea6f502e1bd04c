"""The error budget of a temperature, or of the gap between two builds."""
