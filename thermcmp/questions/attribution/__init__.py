"""How much of a fix is hardware, fan speed and power."""
