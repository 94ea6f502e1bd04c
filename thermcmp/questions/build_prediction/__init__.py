"""Temperature, fan speed and noise of one build."""
