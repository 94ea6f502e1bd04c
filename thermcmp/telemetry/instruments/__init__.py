"""Logs of further instruments, brought to one clock."""
