"""Watching a log while it grows."""
