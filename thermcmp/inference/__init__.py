"""Engines, health checks and the fitted model."""
