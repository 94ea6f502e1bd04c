"""Runs in which a control loop held the sensor."""
